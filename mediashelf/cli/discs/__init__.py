"""Commands for discs: build, recipe, drivers, check, targets."""
