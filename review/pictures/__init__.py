"""Pictures for paper, mails and files: drawn once, with what they show in words beside them."""
