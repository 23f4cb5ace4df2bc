"""Files that hold changes of level and not samples."""
