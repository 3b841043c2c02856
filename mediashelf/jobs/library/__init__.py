"""The library: scanning shelves, auditing images, mending one, keeping what is known of them."""
