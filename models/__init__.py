"""The physics and the statistics of Heatbook: numbers in, numbers out."""
