"""Everything that touches a disk: readers, clocks, store, ingest, derive, commands."""

import os

# Many small fits: threads of the linear algebra would only wait for each other, and their number
# would change the last digits of what is written. Set before NumPy is imported; whoever wants
# otherwise sets it in the environment.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
