"""History and reports."""
