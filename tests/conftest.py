"""What all tests share."""

import os
import signal

import pytest

# Tests run side by side: linear algebra on two threads each would only make them wait for one another.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


@pytest.fixture
def interruptible():
    """Ctrl-C as a terminal has it: what starts the suite in the background has it ignored, which children inherit."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)
