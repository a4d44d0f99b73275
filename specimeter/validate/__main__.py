"""``python -m specimeter.validate``."""

import sys

from specimeter.validate import main

if __name__ == "__main__":
    sys.exit(main())
