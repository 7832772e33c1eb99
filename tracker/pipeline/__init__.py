"""The main job: a day's photographs become a stage. The only place that runs the steps, in order.

photographs -> targets -> adjustment -> tie points -> adjustment -> cloud -> alignment ->
needles -> states, over-cuts, volume -> record -> pictures -> page.
"""

from tracker.pipeline.add import add_stage
from tracker.pipeline.measure import Measured, Task, measure
from tracker.pipeline.page import redraw_page

__all__ = ["Measured", "Task", "add_stage", "measure", "redraw_page"]
