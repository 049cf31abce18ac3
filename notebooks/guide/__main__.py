"""Build the guide: `python -m notebooks.guide --to FOLDER`."""

import sys

from notebooks.guide.build import main

if __name__ == "__main__":
    sys.exit(main())
