"""The one place where the stages are chained."""
