"""The adapter for HL7 v2 device messages: infusion events (IHE PCD-10) and alerts (IHE PCD-04)."""
