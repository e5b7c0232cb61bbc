"""A session rendered: components, buses, files and figures."""
