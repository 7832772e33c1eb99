"""Stone against model: needle, stone left, over-cuts, volume."""
