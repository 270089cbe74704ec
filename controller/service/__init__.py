"""A controller as a running service: link, core and recorder together, the documents it reads, what it logs."""
