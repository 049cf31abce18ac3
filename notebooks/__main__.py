"""`python -m notebooks` is the console command `outcomes`."""

import sys

from notebooks.commands import main

if __name__ == "__main__":
    sys.exit(main())
