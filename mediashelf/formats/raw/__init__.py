"""Raw sectors (ECMA-130): layout, EDC, parity, and the cue sheets that describe them."""
