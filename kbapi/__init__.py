"""kbapi: a knowledge base of community voltage-tuning results, served over HTTP."""

__version__ = "0.1.0"
