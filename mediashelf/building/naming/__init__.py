"""Names for both trees of a disc, and where everything is placed."""
