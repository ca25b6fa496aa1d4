"""The scripts of this folder import each other by name; so do its tests."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
