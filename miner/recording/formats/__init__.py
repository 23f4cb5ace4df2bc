"""Which formats of other recorders can be read: one module a format; `registry` tells which one a file is."""
