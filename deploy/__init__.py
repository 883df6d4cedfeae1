"""The parts put together."""
