"""What is known and asked for: units, errors, footage, encodings, scenario, cells and records.

Everything here is a frozen value or a pure function; nothing imports FFmpeg, pandas, the clock or
the file system (a test enforces it).
"""
