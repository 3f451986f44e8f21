-- What study.sql counts as eligible. Unknown is not the same as no: an exam is left out only where it is stated.
CREATE OR REPLACE VIEW eligible AS
SELECT * FROM exams
WHERE void_state = 'post-void' AND minutes_since_void BETWEEN 0 AND 10
  AND catheter_in_place IS NOT TRUE AND pregnant IS NOT TRUE AND ascites IS NOT TRUE;

CREATE OR REPLACE VIEW residuals AS
SELECT exam_key, value AS residual_ml FROM measurements WHERE concept = 'volume' AND value IS NOT NULL;

CREATE OR REPLACE VIEW one_a_patient AS
SELECT patient, exam_key, age_years, gender, started_at, residual_ml, minutes_since_void, eligible_exams FROM (
  SELECT *, row_number() OVER (PARTITION BY patient ORDER BY started_at, exam_key) AS place,
         count(*) OVER (PARTITION BY patient) AS eligible_exams
  FROM eligible JOIN residuals USING (exam_key) WHERE patient IS NOT NULL
) WHERE place = 1;
