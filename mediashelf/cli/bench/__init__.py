"""Commands for the bench: plan, prepare, manifest, session."""
