"""Season-end audits of combine grain-moisture calibrations."""
