"""Ground everything stands on: errors, units, flags and the impact table."""
