"""Jobs × threads, the ingest of a folder, and its prediction."""
