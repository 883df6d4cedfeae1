"""The daemon's own web server: answers to notices, the calendar, figures."""
