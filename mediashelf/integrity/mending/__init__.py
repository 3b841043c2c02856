"""Put an image together from the good parts of several copies."""
