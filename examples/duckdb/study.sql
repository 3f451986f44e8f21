-- A study of residuals: exclusion flow, one row a patient, repeatability. Run: python examples/duckdb/ask.py FOLDER study
-- Make the tables with --pseudonyms and --shift-dates where they leave the hospital; the queries stay the same.

-- name: exclusion flow
SELECT step, exams FROM (
  SELECT 1 AS n, 'exams in the table' AS step, count(*) AS exams FROM exams
  UNION ALL SELECT 2, 'after a void', count(*) FROM exams WHERE void_state = 'post-void'
  UNION ALL SELECT 3, 'void timed, within 10 minutes', count(*) FROM exams
    WHERE void_state = 'post-void' AND minutes_since_void BETWEEN 0 AND 10
  UNION ALL SELECT 4, 'no catheter, not pregnant, no ascites as far as stated', count(*) FROM eligible
  UNION ALL SELECT 5, 'with an exact volume', count(*) FROM eligible JOIN residuals USING (exam_key)
  UNION ALL SELECT 6, 'first one of each patient', count(*) FROM one_a_patient
) ORDER BY n;

-- name: one row a patient
SELECT * FROM one_a_patient ORDER BY patient;

-- name: repeatability of the volume
-- Within-subject standard deviation from all pairs of scans of one exam, two scans an exam (Bland and Altman 1996,
-- BMJ 313:744): sqrt(sum d^2 / 2n); the repeatability coefficient is 1.96 * sqrt(2) times it.
WITH scans AS (
  SELECT exam_key, scan_number, value, row_number() OVER (PARTITION BY exam_key ORDER BY scan_number) AS place
  FROM measurements WHERE concept IN ('volume', 'scan-volume') AND value IS NOT NULL AND scan_number IS NOT NULL
), pairs AS (
  SELECT a.exam_key, CAST(a.value - b.value AS DOUBLE) AS d
  FROM scans a JOIN scans b ON a.exam_key = b.exam_key AND a.place = 1 AND b.place = 2
)
SELECT count(*) AS pairs, (SELECT count(*) FROM exams) AS of_exams, avg(d) AS bias_ml,
       sqrt(sum(d * d) / (2 * count(*)))                  AS within_subject_sd_ml,
       1.96 * sqrt(2) * sqrt(sum(d * d) / (2 * count(*))) AS repeatability_coefficient_ml
FROM pairs;
