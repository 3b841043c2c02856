"""The readability rules, one row each, by what they look at."""
