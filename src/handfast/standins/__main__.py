"""`python -m handfast.standins`."""

from handfast.standins.command import main

raise SystemExit(main())
