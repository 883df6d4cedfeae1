"""From the broker to validated, durably journalled samples."""
