"""The use cases: each job once, whichever command asks for it. No click, no printing."""
