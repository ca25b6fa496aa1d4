"""Results are judged as those of simulated photos are: by ../accuracy/judging.py."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "accuracy"))
