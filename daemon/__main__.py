"""`python -m daemon` is `bellwatch`."""

import sys

from daemon.cli import main

sys.exit(main())
