"""Rendered photographs of an invented carving, with exact truth.

The scene is the truth of the tests: a model, the stone of each stage, a pointing frame
with targets, a bench, lights and a hand-held camera. It shares no code with the package
it tests, so a mistake there cannot hide here.
"""

import numba

# open3d brings a TBB that numba cannot use; its own thread pool always works.
numba.config.THREADING_LAYER = "workqueue"
