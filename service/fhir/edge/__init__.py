"""Where bytes become checked dicts: strict JSON, and the structure of each release."""
