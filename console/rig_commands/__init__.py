"""Commands that connect to a broker; each module holds one click command named ``command``."""
