"""The client for scripts; `kbapi_client.py` stands alone."""
