"""lightgap.cli: the commands; the only package that prints."""

import gc
import os

# The matrices here are small: a second thread of the linear algebra library spins more than it computes.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# What loading makes stays: to look through it for garbage again and again takes a twentieth of the time.
gc.set_threshold(100_000, 20, 20)
