"""Lets this folder's tests, and the worker programs they start, import the helper module beside them."""

import sys
from pathlib import Path

HERE = str(Path(__file__).parent)
if HERE not in sys.path:
    sys.path.insert(0, HERE)
