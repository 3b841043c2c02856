"""A set of discs on a card, in the order of use, with a manifest."""
