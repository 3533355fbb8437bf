"""An invented driver and receiver, for the demo and for tests; the diagnosis never reads them."""
