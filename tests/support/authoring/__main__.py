"""Writes the folders under fixtures/ that are made from scenes."""

from pathlib import Path

from tests.support.authoring import after_start, before_start
from tests.support.authoring.scene import write

if __name__ == "__main__":
    for make in (*before_start.SCENES, *after_start.SCENES):
        write(make(), Path("fixtures"))
