"""The host's desk for courses: write, preview, publish."""
