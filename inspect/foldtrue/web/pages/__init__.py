"""One module a page: what it shows, and what its forms do."""
