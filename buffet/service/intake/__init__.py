"""What people upload becomes files on disk, checked before anything trusts it."""
