"""The web: JSON under /api/v1, the page, and what whoever runs the service needs. Reads ports only; knows no ingest.

Nothing is imported here: the settings name `api.web.settings`, and whoever reads them need not wait for the web framework.
"""
