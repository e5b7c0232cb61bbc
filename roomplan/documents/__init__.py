"""YAML documents in which every value knows the line it is on; the only package that knows the parser."""
