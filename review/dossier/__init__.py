"""The review of a truck after a failure, up to a date: facts from the store, then words, then paper."""
