"""Open3D without its web viewer.

Importing Open3D loads that viewer too, and with it a web framework and a plotting library: as long
again as the part that is used. A module of its name that holds nothing stands in while Open3D is
loaded; whoever wants the viewer can still import it afterwards.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any

VIEWER = "open3d.visualization.draw_plotly"
NAMES = ("get_plotly_fig", "draw_plotly", "draw_plotly_server")


def _load() -> Any:
    stand_in = None
    if "open3d" not in sys.modules:
        stand_in = ModuleType(VIEWER)
        for name in NAMES:
            setattr(stand_in, name, None)
        sys.modules[VIEWER] = stand_in
    try:
        import open3d
    finally:
        if stand_in is not None and sys.modules.get(VIEWER) is stand_in:
            del sys.modules[VIEWER]
    return open3d


o3d = _load()
