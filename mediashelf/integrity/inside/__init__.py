"""Files inside an image that can be verified where they are."""
