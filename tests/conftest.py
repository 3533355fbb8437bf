"""What all tests share."""

import os

# Tests run side by side: linear algebra on two threads each would only make them wait for one another.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
