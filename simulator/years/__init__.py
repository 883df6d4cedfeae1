"""Years of trucks at work, second by second: weather, working days, trips, faults that grow for months."""
