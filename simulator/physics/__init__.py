"""The simulator's own physics; it shares no code with the models it is used to test."""
