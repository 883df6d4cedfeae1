"""What a power cut may leave of a real daemon's files, tried at every write."""
