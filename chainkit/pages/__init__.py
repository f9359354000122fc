"""Results as pages and plots: the only place that knows HTML and matplotlib."""
