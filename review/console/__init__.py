"""The console: pages for people, made from the same facts as the API gives to programs."""
