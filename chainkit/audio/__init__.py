"""Sound files: the only place that opens them."""
