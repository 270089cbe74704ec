"""Rigs as the page knows them: messages, their age, what may be shown of them, live data, and what people ask."""
