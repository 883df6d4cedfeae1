"""The daemon's own web server: where it listens, and what is put together for it."""
