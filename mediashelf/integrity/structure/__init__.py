"""Do the parts of a disc fit together, and which entries does damage touch?"""
