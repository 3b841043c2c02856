"""Which files of several naming trees of a disc are the same, and which a tree lacks."""
