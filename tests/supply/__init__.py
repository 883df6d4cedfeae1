"""What Heatbook is put together from: its locks, their licences, what is known against them."""
