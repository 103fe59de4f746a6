"""The run floor: stage table, engine, store, publishing, results.

``gisprio.run(settings)`` is the library's own face, and ``gisprio.run`` is also the name of this package, which takes
the place of the function as soon as anything of it is imported. So the package can be called, and does the same.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any


class _RunFloor(ModuleType):
    """The package, as something that can be called."""

    def __call__(self, *arguments: Any, **options: Any) -> Any:
        """Run the whole chain: see :func:`gisprio.run.engine.run`."""
        from gisprio.run.engine import run

        return run(*arguments, **options)


sys.modules[__name__].__class__ = _RunFloor
