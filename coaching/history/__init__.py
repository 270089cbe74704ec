"""The history: a database of what was done, made from recordings and session journals, which remain the truth.

`tables` says what is kept and `migrations` how it came to be so; `databases` connects to SQLite or PostgreSQL, `schema`
brings a store up to date. `set_rows` and `session_rows` turn recordings and journals into rows, `store` writes and
reads them, `rebuild` makes a store again from a folder. `trends` says what the rows come to over weeks. A store that
is lost loses nothing: everything in it can be made again.
"""
