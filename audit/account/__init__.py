"""One camera's evidence out of the logbook, once, for judge, desk and report: cases, work list, history, pictures."""
