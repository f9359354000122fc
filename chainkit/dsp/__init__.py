"""Signal processing: numbers in, numbers out; no file, no text, nothing else of ours."""
