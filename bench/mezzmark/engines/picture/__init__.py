"""What an encoding does to the picture: quality, colour chart, generations."""
