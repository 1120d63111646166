"""From trials to estimates over rounds and clips."""
