"""``python -m remanence`` is the command ``remanence``."""

import sys

from remanence.pipelines.commands import main

if __name__ == "__main__":
    sys.exit(main())
