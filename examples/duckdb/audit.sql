-- Questions an audit asks of the tables exams, measurements and deliveries (made by `fhir-bladder table`).
-- Each answer has its numerator and its denominator. Run: python examples/duckdb/ask.py FOLDER audit
-- The tables leave out retracted, superseded, preliminary and synthetic exams by themselves; how many stands in
-- exams.excluded.csv.

-- name: residuals with the time of the void, scanned within 10 minutes
-- A residual scanned late holds urine made since: nursing procedure and textbook say within 10 minutes.
SELECT count(*) FILTER (minutes_since_void BETWEEN 0 AND 10) AS within_10_minutes,
       count(minutes_since_void)                             AS with_time_of_void,
       count(*)                                              AS residuals
FROM exams WHERE void_state = 'post-void';

-- name: scans per exam
SELECT scans, count(*) AS exams, sum(count(*)) OVER () AS of_exams
FROM (SELECT exam_key, count(*) AS scans FROM measurements WHERE concept IN ('volume', 'scan-volume') GROUP BY ALL)
GROUP BY scans ORDER BY scans;

-- name: residual by ward and month
-- Values known only as a limit (> 1500) are counted, never averaged.
SELECT e.location AS ward, strftime(e.started_at, '%Y-%m') AS month,
       count(m.value) AS with_value, count(m.limit) AS only_a_limit, count(*) AS residuals,
       median(m.value) AS median_ml, max(m.value) AS largest_ml
FROM exams e JOIN measurements m USING (exam_key)
WHERE e.void_state = 'post-void' AND m.concept = 'volume'
GROUP BY ALL ORDER BY ward, month;

-- name: minutes from scan to record
SELECT median(date_diff('minute', e.started_at, d.delivered_at))             AS median_minutes,
       quantile_cont(date_diff('minute', e.started_at, d.delivered_at), 0.9) AS nine_of_ten_within,
       count(d.delivered_at) AS delivered, count(*) AS exams
FROM exams e LEFT JOIN deliveries d ON d.exam_key = e.exam_key AND d.state = 'delivered';

-- name: exams held, and why
SELECT coalesce(code, reason, 'not said') AS why, count(*) AS held, min(held_since) AS longest_since,
       (SELECT count(DISTINCT exam_key) FROM deliveries) AS of_exams
FROM deliveries WHERE state = 'held' GROUP BY why ORDER BY held DESC;

-- name: gaps in exam numbers
-- Numbers that a device skipped: exams taken and never sent, or not part of this export.
WITH numbered AS (
  SELECT device_serial, exam_number, CAST(regexp_extract(exam_number, '(\d+)$', 1) AS BIGINT) AS n
  FROM exams WHERE regexp_matches(exam_number, '\d{1,18}$')
), steps AS (
  SELECT *, lead(n) OVER (PARTITION BY device_serial ORDER BY n) AS next_n FROM numbered
)
SELECT device_serial, count(*) FILTER (next_n > n + 1) AS gaps, coalesce(sum(next_n - n - 1), 0) AS missing_numbers,
       max(n) - min(n) + 1 AS numbers_in_range, count(*) AS exams
FROM steps GROUP BY device_serial ORDER BY device_serial;
