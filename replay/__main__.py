"""Run the command line with ``python -m replay``."""

from replay.cli.main import main

raise SystemExit(main())
