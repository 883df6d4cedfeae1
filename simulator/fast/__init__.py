"""The trucks' physics compiled: for histories of years, where steps in Python take too long."""
