"""homewater: from raw genotypes to a report on stocks, boundaries, origins and sources.

The library holds pure functions on arrays and tables and knows nothing of the workflow.
"""

__version__ = "0.1.0"
