"""Results as a table, as JSON and as CSV."""
