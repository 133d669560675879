"""A balance's matrix from a table of loadings."""
