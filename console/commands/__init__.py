"""Commands that read files and run simulations; each module holds one click command named ``command``."""
