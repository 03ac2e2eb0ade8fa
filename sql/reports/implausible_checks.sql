-- title: The plausibility checks in words for a committee
-- grain: name of a check
select
    checks.check_name,
    checks.words
from (
    values
    ('weight_over_500_kg', 'patient weight over 500 kg'),
    ('weight_under_0_2_kg', 'patient weight under 0.2 kg'),
    ('body_surface_odd', 'body surface area not between 0 and 4 m2'),
    ('rate_over_2000_ml_h', 'rate over 2000 mL/h'),
    ('rate_negative', 'negative rate'),
    ('dose_negative', 'negative dose'),
    ('concentration_not_positive', 'concentration of zero or less'),
    ('volume_to_infuse_odd', 'volume to infuse negative or over 20 L'),
    ('volume_delivered_odd', 'reported volume negative or over 1000 L'),
    ('duration_odd', 'programmed time negative or over a year'),
    ('syringe_odd', 'syringe of no size or over 200 mL'),
    ('far_from_limit', 'entered value and limit differ a hundredfold or more'),
    ('rate_hundredfold', 'the rate changed a hundredfold or more at once'),
    ('received_before_event', 'received more than a day before it happened by the pump''s clock'),
    ('received_long_after_event', 'received more than 400 days after it happened by the pump''s clock'),
    ('clock_at_its_origin', 'the pump''s clock may never have been set')
) as checks (check_name, words)
