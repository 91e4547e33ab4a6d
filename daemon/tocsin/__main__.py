"""``python -m tocsin``."""

import sys

from tocsin.cli import main

sys.exit(main())
