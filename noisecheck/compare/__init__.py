"""Whether a change helped: effects, requirements and plans."""
