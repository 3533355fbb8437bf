"""Commands for what might be: costs, sensitivities, margins, sweeps, setups."""
