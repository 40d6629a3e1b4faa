"""noisecheck: how loud each ball drop is, whether a change helped, and whether every ball arrived."""

__version__ = "0.1.0"
