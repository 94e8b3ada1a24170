"""`python -m handfast.rehearsal`."""

from handfast.rehearsal.command import main

raise SystemExit(main())
