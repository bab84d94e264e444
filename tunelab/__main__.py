"""`python -m tunelab`: the command line."""

import sys

from tunelab.cli import main

sys.exit(main())
