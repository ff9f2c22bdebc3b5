"""``python -m warmheap`` is ``warmheap``."""

from .cli import main

raise SystemExit(main())
