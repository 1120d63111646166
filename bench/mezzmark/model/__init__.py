"""What is stored or asked for: pure values; nothing imports FFmpeg, pandas, the clock or the disk."""
