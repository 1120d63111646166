"""From a scenario to finished trials: plan, prepare, run each trial in a fresh process."""
