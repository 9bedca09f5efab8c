"""Run the command line with ``python -m replay``."""

try:
    from replay.cli.main import main

    raise SystemExit(main())
except KeyboardInterrupt:
    raise SystemExit(130) from None
