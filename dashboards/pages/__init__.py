"""One module a page: records in, components out."""
