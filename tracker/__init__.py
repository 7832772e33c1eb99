"""Stone left on a block, measured from ordinary photographs."""

__version__ = "0.1.0"
