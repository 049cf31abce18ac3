"""`python -m notebooks` is the console command `outcomes`."""

import sys

from notebooks.commands import console

if __name__ == "__main__":
    sys.exit(console())
