"""Does a live SCPI instrument keep what IEEE 488.2 and SCPI-1999 promise, and the contract of its role?"""
