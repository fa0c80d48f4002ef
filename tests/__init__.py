"""The tests: one thread for matrix products, as the commands have it (:func:`audit.cli.main`); read when NumPy is loaded."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
