"""Text with columns of numbers: how it is laid out, and its samples."""
