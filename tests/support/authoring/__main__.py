"""Writes the folders under fixtures/ that are made from scenes."""

from pathlib import Path

from tests.support.authoring.scene import write
from tests.support.authoring.scenes import SCENES

if __name__ == "__main__":
    for make in SCENES:
        write(make(), Path("fixtures"))
