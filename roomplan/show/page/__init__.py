"""The plan on a page: its parts as plain files, and what joins them."""
