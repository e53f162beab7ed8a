"""The graph as people write it: JSON, versioned, with variables and numbers that change over time.

`graph` reads and writes it, `frames` and `values` are its small languages, `variables` fills in ``${name}``,
`upgrade` brings files of older versions up to date, `schema` describes it to editors.
"""
