"""``python -m gisprio`` is the same as the command ``gisprio``."""

from __future__ import annotations

import sys

from gisprio.faces.main import main

if __name__ == "__main__":
    sys.exit(main())
