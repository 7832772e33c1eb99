"""Where the pointing list's places lie, and how a needle gets to them."""
