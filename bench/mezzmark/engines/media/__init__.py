"""What a media file holds: facts, pictures, index, stamps; and the cache of derived files."""
