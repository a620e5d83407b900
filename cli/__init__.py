"""lightgap.cli: the commands; the only package that prints."""

import os

# The matrices here are small: a second thread of the linear algebra library spins more than it computes.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
