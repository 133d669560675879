"""One module for each group of commands: options into calls, results into text."""
