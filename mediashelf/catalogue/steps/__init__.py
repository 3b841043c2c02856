"""Steps that bring an older catalogue up to date: one module each, put in a row by schema.py."""
