"""Records and what stands beside them: bytes that wait, earlier records, acknowledgements."""
