"""Backups: the store, its archive and the files of the settings, whole, in a folder each."""
