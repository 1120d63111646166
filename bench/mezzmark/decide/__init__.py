"""From trials to estimates and from estimates to verdicts; pure."""
