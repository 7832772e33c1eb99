"""Pictures, pages and documents: they draw a record and compute nothing."""
