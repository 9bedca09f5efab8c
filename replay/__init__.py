"""jointbook's engine: logs in, flags, margins and trends out."""
