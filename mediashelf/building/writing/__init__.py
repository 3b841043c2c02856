"""Write a planned disc, read it back, and only then give it its name."""
