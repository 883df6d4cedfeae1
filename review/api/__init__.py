"""The API: what the console shows and does, for programs. HTTP as RFC 9110, problems as RFC 9457."""
