"""One module for each kind of measurement file; imported when a file of its kind is read."""
