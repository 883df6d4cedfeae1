"""Demo trucks with a physics of their own."""
