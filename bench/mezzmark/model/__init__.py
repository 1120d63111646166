"""What is stored or asked for: pure values. Nothing imports FFmpeg, pandas, a clock, the disk."""
