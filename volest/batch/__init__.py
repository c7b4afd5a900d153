"""Many scans in one run."""
