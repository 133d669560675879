"""From samples to spectra, peaks and intervals."""
