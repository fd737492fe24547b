"""kbapi: a knowledge base of community voltage-tuning results, served over HTTP."""

import os

# The matrices of an answer are small: threads of the linear algebra would only spin, at twenty
# times the CPU time, and the number of cores would show in the last bits. Before numpy loads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = "0.1.0"
