"""``mediashelf timer``: what starts the nightly audit, in the form that each system has for it."""
