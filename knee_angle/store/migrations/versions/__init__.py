"""The numbered steps."""
