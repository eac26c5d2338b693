"""Live view: what is being recorded, judged as it comes and shown on a terminal, a page, a plot."""
