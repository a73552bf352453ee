"""Signal processing: arrays in, arrays or numbers out; no files, clocks or rule sets.

Matrix products are done by one thread: with more, the order of additions and so the last bit of a
result would depend on the machine. The meters themselves run side by side instead.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # read once, when numpy is first imported
