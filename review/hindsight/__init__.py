"""Looking back with other limits: what would have been caught, what would have been noise."""
