"""The names of the benchmarks: one file of this folder each."""

from pathlib import Path
from typing import Final

NAMES: Final = sorted(
    file.stem
    for file in Path(__file__).parent.glob("*.py")
    if not file.stem.startswith(("_", "test_")) and file.stem != "names"
)
LONGER: Final = (
    "access",
    "batch",
    "chips",
    "derived",
    "import",
    "intake",
    "npmle",
    "pictures",
    "postgres",
    "review",
    "scale",
    "serving",
    "writes",
)
"""Their short forms take more than three seconds each: `python -m tests.bench longer --short`."""
