"""Who may look and who may act: accounts, sessions, tokens, and what was done by whom."""
