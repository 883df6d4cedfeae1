"""Everything that a store holds, in open formats."""
