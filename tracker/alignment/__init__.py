"""Careful refinement of the frame's pose against stone that is already finished."""
