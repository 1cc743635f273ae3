"""HTTPS on the shop's network: a local authority, its certificate, and what speaks TLS.

`keeper` keeps the certificate current, `relay` speaks TLS in front of the WSGI server,
`serving` puts them together.
"""
