"""Several stages taken together: what went, how fast, what is next, what can be saved."""
