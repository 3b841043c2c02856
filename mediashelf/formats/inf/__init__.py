"""Driver INF texts: sections, models, source files, and what the published rules say."""
