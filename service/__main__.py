"""``python -m service``: the same as the command ``transfusion-events``."""

import sys

from service.cli import main

if __name__ == "__main__":
    sys.exit(main())
