"""Whether a shop is served: time, storage, links, machines."""
