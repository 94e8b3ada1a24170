"""`python -m handfast` is the command line."""

import sys

from handfast.cli.main import main

sys.exit(main())
