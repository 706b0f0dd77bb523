"""The shape of the configuration file: one pydantic model a table, and the JSON Schema from them."""
