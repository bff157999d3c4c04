"""Allow ``python -m standmap``."""

import sys

from standmap.cli import main

sys.exit(main())
