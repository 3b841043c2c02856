"""Commands for one image: show, mend, convert."""
