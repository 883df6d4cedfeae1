"""A truck's own cooling circuit as a plain drawing: inline SVG, from what is estimated of it."""
