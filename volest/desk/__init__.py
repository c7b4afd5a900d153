"""A day at the bench: scans that arrive are sized, looked at, mixed and booked on one page."""
