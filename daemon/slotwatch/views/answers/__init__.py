"""What the HTTP API answers, as types: the views return them, and the API's description is made from them.

A field that is added to a view is added here too: mypy says so where a view is written as a literal, and
`tests/views/test_openapi.py` where it is not. A name that clients know stays for one minor version after it is
replaced, and its description says so.
"""
