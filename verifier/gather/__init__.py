"""Takes a plan, gives readings: by probes, instruments and prompts, journalled as they come."""
