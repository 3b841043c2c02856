"""What is done with one image: looked into, converted, taken out of."""
