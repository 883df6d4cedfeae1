"""Whatever bytes come in from outside: fuzzed with coverage, and what was found kept and run again."""
