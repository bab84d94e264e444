"""One module per question; pure functions from a log to a frozen result."""
