"""The operator's pages, one file each."""
