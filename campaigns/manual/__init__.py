"""The manual as a built site: pages made from the code, pages from beside `docs/`, and links that lead somewhere."""
