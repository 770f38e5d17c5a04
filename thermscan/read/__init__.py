"""Files to records: the only place, beside write and case, that opens recordings and boards."""
