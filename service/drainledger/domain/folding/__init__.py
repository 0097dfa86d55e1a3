"""What one node of a drain means for its ledger: one module for each kind of thing that it may say."""
