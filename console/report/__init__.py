"""A recorded set or a comparison as something to read: page, terminal tables, figures."""
