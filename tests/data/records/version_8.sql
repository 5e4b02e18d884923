-- A record of version 8 as that version wrote it; an invented workshop and vehicle.
PRAGMA application_id = 1215652432;
PRAGMA user_version = 8;
BEGIN TRANSACTION;
CREATE TABLE "chain" (
  "seq" INTEGER PRIMARY KEY,
  "what" TEXT NOT NULL,
  "subject" TEXT NOT NULL,
  "form" INTEGER NOT NULL,
  "record_sha256" TEXT NOT NULL,
  "link_sha256" TEXT NOT NULL
) STRICT;
INSERT INTO "chain" VALUES(1,'job opened','01a21395-5eee-73d9-8a5d-0e7a43c62ff3',1,'dd1a7ba9d5ddb9f920a0303857237bfc4bf5480af3733c57fa99835c3e5a714d','d72baa38a6e1f52e43b431344cdb0610f0bb9575efab617641709f53f992034d');
INSERT INTO "chain" VALUES(2,'job entry','01a21395-5eee-73d9-8a5d-0e7a43c62ff3/1',1,'0cdc90a793b5e87ab694a591aad0a6f921e1eb9796d8a2366127e55eda4299cd','43450527c522d8df01ddf2d8981085caf47fec059da342e3b279aa58e5a8aa31');
INSERT INTO "chain" VALUES(3,'job entry','01a21395-5eee-73d9-8a5d-0e7a43c62ff3/2',1,'21f4b80de39869725e17df09547fb62510bae3d5fd6816f548b622a976568eb4','7d30229b6e75d5f6ba78d457c4d5550f6b97e76bdc9527e03ab61ae6fb16e648');
INSERT INTO "chain" VALUES(4,'job entry','01a21395-5eee-73d9-8a5d-0e7a43c62ff3/3',1,'f70253617268a30596b0f5f1234dddb99f2586930371903a95049dcb1f5ab55d','984cb9c7320c94af852301a03b4e9c129ec8f3330235c03e91a7f85d77caeb26');
INSERT INTO "chain" VALUES(5,'run begun','019c22ba-e680-7337-b359-efd8c03b59ba',1,'ae79ea7a96c8bf73b752234435afba6ddc793f6bb85b8b3c3f90354e7eb327d4','9d846fef87c3b834cfebd474e94e06db37500bd17308c027634d3597dacd8dc5');
INSERT INTO "chain" VALUES(6,'run ended','019c22ba-e680-7337-b359-efd8c03b59ba',1,'4701b6fee76dd029fee5fbb36a7b8f59e8448a7ecbb0aaa558799bf9f797a25f','d298a8099ad214bd105be09d7204396928204bfc4d156a7763b9a2f98f4db089');
INSERT INTO "chain" VALUES(7,'result','019c22ba-e680-7b83-8c9e-8b19d4954836',1,'784276ed5d3ec3640f3b5acd5a9fe6d9eea3713a3b2f1731b618cc7899ac185b','bb090bbd477e49530ee64671cd50459c1b5da2099c5454809fd2351dc36497ab');
INSERT INTO "chain" VALUES(8,'run begun','019c22ba-e680-7d56-b716-12e147e1ddeb',1,'13d977139bb31232d90fc57b6c210912827804773e7c981ff65f1cd705a7ab4d','99545d1c9e88f145bc2db648f22252a9a83a754f3860b97fc196712553cb3f1f');
INSERT INTO "chain" VALUES(9,'run ended','019c22ba-e680-7d56-b716-12e147e1ddeb',1,'673c9a59ee406a28114edcb5d28e4085f4abd6960896c75695e3e8988480c0a7','e2141d9d05e34ce65983f1c5f72f045ca5f75411e828451413f97aa6c825857b');
INSERT INTO "chain" VALUES(10,'run begun','019c22ba-e680-7fd2-a8fc-90e5926d6d93',1,'200f7a9d9625ff34c40d978cb4bc05014099f72d1696d09cb22b4d26623d3ecc','73dad06a9a5c58dae0a91f0959b358c11c8561fc0d880c47fff62157f7189fe1');
CREATE TABLE "column_notes" (
  "table_name" TEXT NOT NULL,
  "column_name" TEXT NOT NULL,
  "unit" TEXT NOT NULL,
  "note" TEXT NOT NULL,
  PRIMARY KEY (table_name, column_name)
) STRICT, WITHOUT ROWID;
INSERT INTO "column_notes" VALUES('chain','form','1','how the record''s canonical bytes are made');
INSERT INTO "column_notes" VALUES('chain','link_sha256','hexadecimal','SHA-256 of the link before, and of what, subject, form and record_sha256 of this one');
INSERT INTO "column_notes" VALUES('chain','record_sha256','hexadecimal','SHA-256 of the record''s canonical bytes');
INSERT INTO "column_notes" VALUES('chain','seq','','number of the link, in order of writing');
INSERT INTO "column_notes" VALUES('chain','subject','UUIDv7','id of the run or result');
INSERT INTO "column_notes" VALUES('chain','what','','what was written: run begun, run ended, result');
INSERT INTO "column_notes" VALUES('column_notes','column_name','','column that the note speaks of');
INSERT INTO "column_notes" VALUES('column_notes','note','','what the column holds');
INSERT INTO "column_notes" VALUES('column_notes','table_name','','table or view that the note speaks of');
INSERT INTO "column_notes" VALUES('column_notes','unit','','unit of a number, form of a text; empty when it has none');
INSERT INTO "column_notes" VALUES('event','code','','what happened, for programs');
INSERT INTO "column_notes" VALUES('event','key','','number of the event in this file');
INSERT INTO "column_notes" VALUES('event','run','','key of the run');
INSERT INTO "column_notes" VALUES('event','t_ns','ns','when, counted from the run''s start');
INSERT INTO "column_notes" VALUES('event','text','','what happened, for people');
INSERT INTO "column_notes" VALUES('indicator_check','expanded_mm','mm','its expanded uncertainty, about 95 %');
INSERT INTO "column_notes" VALUES('indicator_check','id','UUIDv7','name of the check everywhere');
INSERT INTO "column_notes" VALUES('indicator_check','indicator','','name of the indicator');
INSERT INTO "column_notes" VALUES('indicator_check','json','JSON','the whole check');
INSERT INTO "column_notes" VALUES('indicator_check','key','','number of the check; the latest of an indicator counts');
INSERT INTO "column_notes" VALUES('indicator_check','made_utc','UTC, RFC 3339','when it ended');
INSERT INTO "column_notes" VALUES('indicator_check','passed','','1 when nothing spoke against it');
INSERT INTO "column_notes" VALUES('indicator_check','permissible_mm','mm','the permissible error it was judged against');
INSERT INTO "column_notes" VALUES('indicator_check','run','UUIDv7','the run with its readings');
INSERT INTO "column_notes" VALUES('indicator_check','serial_number','','its serial number; empty when not known');
INSERT INTO "column_notes" VALUES('indicator_check','worst_mm','mm','largest deviation at a gauge block; null without blocks');
INSERT INTO "column_notes" VALUES('job','closed_utc','UTC, RFC 3339','when the vehicle was released; null while open');
INSERT INTO "column_notes" VALUES('job','complaint','','what the customer says');
INSERT INTO "column_notes" VALUES('job','id','UUIDv7 (RFC 9562)','name of the job everywhere');
INSERT INTO "column_notes" VALUES('job','key','','number of the job in this file; use id outside it');
INSERT INTO "column_notes" VALUES('job','odometer_km','km','odometer at arrival');
INSERT INTO "column_notes" VALUES('job','opened_utc','UTC, RFC 3339','when it was opened');
INSERT INTO "column_notes" VALUES('job','technician','','who opened it');
INSERT INTO "column_notes" VALUES('job','vehicle','','the vehicle in words');
INSERT INTO "column_notes" VALUES('job','vin','','vehicle identification number; null when not known');
INSERT INTO "column_notes" VALUES('job_attachment','content','JSON','the figures');
INSERT INTO "column_notes" VALUES('job_attachment','entry','','key of the entry it belongs to');
INSERT INTO "column_notes" VALUES('job_attachment','id','UUIDv7 (RFC 9562)','name of the attachment everywhere');
INSERT INTO "column_notes" VALUES('job_attachment','key','','number of the attachment in this file');
INSERT INTO "column_notes" VALUES('job_attachment','media_type','RFC 6838','of a photo');
INSERT INTO "column_notes" VALUES('job_attachment','name','','name of the photo''s file as given');
INSERT INTO "column_notes" VALUES('job_attachment','sha256','hexadecimal','SHA-256 of the photo as it came; the file of that name is in the folder photos');
INSERT INTO "column_notes" VALUES('job_attachment','size','bytes','of the photo');
INSERT INTO "column_notes" VALUES('job_attachment','what','','a photo, or the figures of a fit or of a disc''s clocking');
INSERT INTO "column_notes" VALUES('job_entry','answer','','the answer (of a run its verdict), or the reason for skipping');
INSERT INTO "column_notes" VALUES('job_entry','at_utc','UTC, RFC 3339','when');
INSERT INTO "column_notes" VALUES('job_entry','id','UUIDv7 (RFC 9562)','name of the entry everywhere; null for one older than these names');
INSERT INTO "column_notes" VALUES('job_entry','key','','number of the entry; the latest of a step counts');
INSERT INTO "column_notes" VALUES('job_entry','number','','the number, in the step''s unit');
INSERT INTO "column_notes" VALUES('job_entry','place','','place among the wheel end''s entries; the highest of a step counts');
INSERT INTO "column_notes" VALUES('job_entry','problem','','why the job cannot go on with it; null when it can');
INSERT INTO "column_notes" VALUES('job_entry','run','UUIDv7','id of the run');
INSERT INTO "column_notes" VALUES('job_entry','step','','step of the path');
INSERT INTO "column_notes" VALUES('job_entry','technician','','who recorded it');
INSERT INTO "column_notes" VALUES('job_entry','what','','answered or skipped');
INSERT INTO "column_notes" VALUES('job_entry','wheel_end','','key of the wheel end');
INSERT INTO "column_notes" VALUES('job_list','bearing','','ball, tapered or not known');
INSERT INTO "column_notes" VALUES('job_list','closed_utc','UTC, RFC 3339','when it was closed; null while open');
INSERT INTO "column_notes" VALUES('job_list','complaint','','what the customer says');
INSERT INTO "column_notes" VALUES('job_list','id','UUIDv7','name of the job everywhere');
INSERT INTO "column_notes" VALUES('job_list','new_lot','','its lot');
INSERT INTO "column_notes" VALUES('job_list','new_part','','part number of the bearing fitted');
INSERT INTO "column_notes" VALUES('job_list','odometer_km','km','odometer at arrival');
INSERT INTO "column_notes" VALUES('job_list','old_lot','','its lot');
INSERT INTO "column_notes" VALUES('job_list','old_part','','part number of the bearing found');
INSERT INTO "column_notes" VALUES('job_list','opened_utc','UTC, RFC 3339','when it was opened');
INSERT INTO "column_notes" VALUES('job_list','technician','','who opened it');
INSERT INTO "column_notes" VALUES('job_list','vehicle','','the vehicle in words');
INSERT INTO "column_notes" VALUES('job_list','vin','','vehicle identification number');
INSERT INTO "column_notes" VALUES('job_list','wheel','','wheel position');
INSERT INTO "column_notes" VALUES('job_step_list','answer','','the answer, or the reason for skipping');
INSERT INTO "column_notes" VALUES('job_step_list','at_utc','UTC, RFC 3339','when');
INSERT INTO "column_notes" VALUES('job_step_list','job','UUIDv7','id of the job');
INSERT INTO "column_notes" VALUES('job_step_list','number','','the number, in the step''s unit');
INSERT INTO "column_notes" VALUES('job_step_list','photos','1','photos kept with it');
INSERT INTO "column_notes" VALUES('job_step_list','place','','place among the wheel end''s entries; the highest of a step counts');
INSERT INTO "column_notes" VALUES('job_step_list','problem','','why the job could not go on with it');
INSERT INTO "column_notes" VALUES('job_step_list','run','UUIDv7','id of the run');
INSERT INTO "column_notes" VALUES('job_step_list','step','','step of the path');
INSERT INTO "column_notes" VALUES('job_step_list','technician','','who recorded it');
INSERT INTO "column_notes" VALUES('job_step_list','vin','','vehicle identification number');
INSERT INTO "column_notes" VALUES('job_step_list','what','','answered or skipped');
INSERT INTO "column_notes" VALUES('job_step_list','wheel','','wheel position');
INSERT INTO "column_notes" VALUES('keeping','at_utc','UTC, RFC 3339','when it was said');
INSERT INTO "column_notes" VALUES('keeping','key','','number of the word; the latest of a run counts');
INSERT INTO "column_notes" VALUES('keeping','reason','','why it was thrown away; empty when it was kept');
INSERT INTO "column_notes" VALUES('keeping','run','UUIDv7','id of the run');
INSERT INTO "column_notes" VALUES('keeping','word','','kept or thrown away');
INSERT INTO "column_notes" VALUES('mark','run','','key of the run');
INSERT INTO "column_notes" VALUES('mark','t_ns','ns','when the index mark passed, counted from the run''s start');
INSERT INTO "column_notes" VALUES('profile_list','angle_deg','deg','angle from the index mark');
INSERT INTO "column_notes" VALUES('profile_list','reading_mm','mm','reading there; null where none is');
INSERT INTO "column_notes" VALUES('profile_list','result','UUIDv7','id of the result');
INSERT INTO "column_notes" VALUES('profile_list','run','UUIDv7','id of the run');
INSERT INTO "column_notes" VALUES('profile_list','turn','1','turn, from 1');
INSERT INTO "column_notes" VALUES('reading','flag','','why the reading was rejected; null for a good one');
INSERT INTO "column_notes" VALUES('reading','length_nm','nm','what the indicator showed, plunger pushed in positive; null when it could not be read');
INSERT INTO "column_notes" VALUES('reading','raw','','what the wire said, kept where the reading was rejected');
INSERT INTO "column_notes" VALUES('reading','run','','key of the run');
INSERT INTO "column_notes" VALUES('reading','seq','1','number of the reading in its run, in order of arrival');
INSERT INTO "column_notes" VALUES('reading','t_ns','ns','time of arrival, counted from the run''s start');
INSERT INTO "column_notes" VALUES('reading_angle','angle_deg','deg','angle of hub or gauge at that reading, not wrapped');
INSERT INTO "column_notes" VALUES('reading_angle','run','','key of the run');
INSERT INTO "column_notes" VALUES('reading_angle','seq','1','number of the reading in its run');
INSERT INTO "column_notes" VALUES('reading_list','flag','','why the reading was rejected; null for a good one');
INSERT INTO "column_notes" VALUES('reading_list','reading_mm','mm','what the indicator showed, plunger pushed in positive');
INSERT INTO "column_notes" VALUES('reading_list','run','UUIDv7','id of the run');
INSERT INTO "column_notes" VALUES('reading_list','seq','1','number of the reading in its run');
INSERT INTO "column_notes" VALUES('reading_list','time_s','s','time of arrival, counted from the run''s start');
INSERT INTO "column_notes" VALUES('result','conformity_probability','1','probability that the limit is kept (JCGM 106)');
INSERT INTO "column_notes" VALUES('result','expanded_mm','mm','expanded uncertainty of the judged figure');
INSERT INTO "column_notes" VALUES('result','id','UUIDv7 (RFC 9562)','name of the result everywhere');
INSERT INTO "column_notes" VALUES('result','json','JSON','the whole result, as `hubproof analyse --json` prints it');
INSERT INTO "column_notes" VALUES('result','key','','number of the result in this file; the latest of a run counts');
INSERT INTO "column_notes" VALUES('result','kind','','what was judged');
INSERT INTO "column_notes" VALUES('result','limit_bad_above_mm','mm','bad above, of a pair');
INSERT INTO "column_notes" VALUES('result','limit_good_up_to_mm','mm','good up to, of a pair');
INSERT INTO "column_notes" VALUES('result','limit_max_mm','mm','upper limit');
INSERT INTO "column_notes" VALUES('result','limit_source','','who gives the limit');
INSERT INTO "column_notes" VALUES('result','non_repeatable_mm','mm','non-repeatable (asynchronous) run-out');
INSERT INTO "column_notes" VALUES('result','points_to','','parts that the figures point to, separated by commas');
INSERT INTO "column_notes" VALUES('result','repeatable_mm','mm','repeatable (synchronous) run-out');
INSERT INTO "column_notes" VALUES('result','run','','key of the run that was judged');
INSERT INTO "column_notes" VALUES('result','saved_utc','UTC, RFC 3339','when it was computed');
INSERT INTO "column_notes" VALUES('result','turns','1','turns of the hub, run-out only');
INSERT INTO "column_notes" VALUES('result','value_mm','mm','the judged figure: largest full turn''s FIM, or the end play');
INSERT INTO "column_notes" VALUES('result','verdict','','within, over, undecided or not measurable; null without a limit');
INSERT INTO "column_notes" VALUES('run','ended_t_ns','ns','end of the run, counted from its start');
INSERT INTO "column_notes" VALUES('run','id','UUIDv7 (RFC 9562)','name of the run everywhere');
INSERT INTO "column_notes" VALUES('run','indicator','JSON','the indicator as it was described then');
INSERT INTO "column_notes" VALUES('run','job','UUIDv7','the job that the run belongs to; null for a run without a job');
INSERT INTO "column_notes" VALUES('run','key','','number of the run in this file; use id outside it');
INSERT INTO "column_notes" VALUES('run','kind','','what was measured: rest check, end play, run-out, bore, or a trace that is not judged');
INSERT INTO "column_notes" VALUES('run','readings','1','readings stored, rejected ones included');
INSERT INTO "column_notes" VALUES('run','readings_sha256','hexadecimal','SHA-256 over all readings of the run so far, in canonical bytes');
INSERT INTO "column_notes" VALUES('run','rejected','1','of these, readings with a flag');
INSERT INTO "column_notes" VALUES('run','settings','JSON','what the run was started with');
INSERT INTO "column_notes" VALUES('run','stage','','stage of the job');
INSERT INTO "column_notes" VALUES('run','started_t_ns','ns','the station''s monotonic clock at the start; t_ns of readings, marks and events count from it');
INSERT INTO "column_notes" VALUES('run','started_utc','UTC, RFC 3339','time of day at the start');
INSERT INTO "column_notes" VALUES('run','state','','running while readings come; done; interrupted when it was cut off');
INSERT INTO "column_notes" VALUES('run','wheel','','wheel position');
INSERT INTO "column_notes" VALUES('run_arrival','delay_p50_ns','ns','median delay above the least one');
INSERT INTO "column_notes" VALUES('run_arrival','delay_p99_ns','ns','99th percentile of it');
INSERT INTO "column_notes" VALUES('run_arrival','missing','1','samples that never came');
INSERT INTO "column_notes" VALUES('run_arrival','offset_ns','ns','when sample 0 came with the least delay, from the run''s start');
INSERT INTO "column_notes" VALUES('run_arrival','period_ns','ns','the indicator''s period in the station''s time; null without one');
INSERT INTO "column_notes" VALUES('run_arrival','run','','key of the run');
INSERT INTO "column_notes" VALUES('run_arrival','skips','JSON, [[n, missing], ...]','samples missing before a reading: time of reading n on the line is offset_ns + period_ns * (n + all skips up to it), n counted over the readings with a value');
INSERT INTO "column_notes" VALUES('run_arrival','straightened','','1 when times on the line are better than those of arrival');
INSERT INTO "column_notes" VALUES('run_list','duration_s','s','how long it took');
INSERT INTO "column_notes" VALUES('run_list','expanded_mm','mm','its expanded uncertainty');
INSERT INTO "column_notes" VALUES('run_list','id','UUIDv7','name of the run everywhere');
INSERT INTO "column_notes" VALUES('run_list','indicator','','name of the indicator');
INSERT INTO "column_notes" VALUES('run_list','job','UUIDv7','the job that the run belongs to');
INSERT INTO "column_notes" VALUES('run_list','kind','','what was measured');
INSERT INTO "column_notes" VALUES('run_list','points_to','','parts that it points to');
INSERT INTO "column_notes" VALUES('run_list','readings','1','readings stored, rejected ones included');
INSERT INTO "column_notes" VALUES('run_list','rejected','1','of these, readings with a flag');
INSERT INTO "column_notes" VALUES('run_list','stage','','stage of the job');
INSERT INTO "column_notes" VALUES('run_list','started_utc','UTC, RFC 3339','time of day at the start');
INSERT INTO "column_notes" VALUES('run_list','state','','running, done or interrupted');
INSERT INTO "column_notes" VALUES('run_list','value_mm','mm','judged figure of the latest result');
INSERT INTO "column_notes" VALUES('run_list','verdict','','verdict of the latest result');
INSERT INTO "column_notes" VALUES('run_list','wheel','','wheel position');
INSERT INTO "column_notes" VALUES('study','begun_utc','UTC, RFC 3339','when it was begun');
INSERT INTO "column_notes" VALUES('study','id','UUIDv7 (RFC 9562)','name of the study everywhere');
INSERT INTO "column_notes" VALUES('study','indicator','','name of the indicator that is studied');
INSERT INTO "column_notes" VALUES('study','key','','number of the study in this file');
INSERT INTO "column_notes" VALUES('study','limit_nm','nm','upper limit of the quantity; null when none was named');
INSERT INTO "column_notes" VALUES('study','parts','JSON list','names in the order of the plan');
INSERT INTO "column_notes" VALUES('study','quantity','','what is measured: runout, endplay, bore, or another length');
INSERT INTO "column_notes" VALUES('study','seed','','of the order in which the parts come');
INSERT INTO "column_notes" VALUES('study','serial_number','','its serial number; empty when not known');
INSERT INTO "column_notes" VALUES('study','technicians','JSON list','names in the order of the plan');
INSERT INTO "column_notes" VALUES('study','trials','1','trials of each technician with each part');
INSERT INTO "column_notes" VALUES('study_list','begun_utc','UTC, RFC 3339','when it was begun');
INSERT INTO "column_notes" VALUES('study_list','categories','1','distinct categories (ndc)');
INSERT INTO "column_notes" VALUES('study_list','combined_mm','mm','both together (GRR)');
INSERT INTO "column_notes" VALUES('study_list','fit_for_use','','good, with care, not good, or cannot be told');
INSERT INTO "column_notes" VALUES('study_list','id','UUIDv7','name of the study everywhere');
INSERT INTO "column_notes" VALUES('study_list','indicator','','name of the indicator');
INSERT INTO "column_notes" VALUES('study_list','method','','average and range, or analysis of variance; null while it goes on');
INSERT INTO "column_notes" VALUES('study_list','percent_of_limit','%','six times the combined one in the limit');
INSERT INTO "column_notes" VALUES('study_list','percent_of_total','%','share of the total variation');
INSERT INTO "column_notes" VALUES('study_list','quantity','','what was measured');
INSERT INTO "column_notes" VALUES('study_list','repeatability_mm','mm','equipment variation (EV)');
INSERT INTO "column_notes" VALUES('study_list','reproducibility_mm','mm','technician variation (AV)');
INSERT INTO "column_notes" VALUES('study_list','serial_number','','its serial number');
INSERT INTO "column_notes" VALUES('study_reading','at_utc','UTC, RFC 3339','when');
INSERT INTO "column_notes" VALUES('study_reading','key','','number of the reading; the latest of a trial counts');
INSERT INTO "column_notes" VALUES('study_reading','part','','which part');
INSERT INTO "column_notes" VALUES('study_reading','run','UUIDv7','id of the run; null when the value was typed');
INSERT INTO "column_notes" VALUES('study_reading','study','','key of the study');
INSERT INTO "column_notes" VALUES('study_reading','technician','','who measured');
INSERT INTO "column_notes" VALUES('study_reading','trial','1','which trial, from 1');
INSERT INTO "column_notes" VALUES('study_reading','value_nm','nm','what was measured');
INSERT INTO "column_notes" VALUES('study_result','at_utc','UTC, RFC 3339','when it was worked out');
INSERT INTO "column_notes" VALUES('study_result','categories','1','distinct categories (ndc)');
INSERT INTO "column_notes" VALUES('study_result','combined_mm','mm','both together (GRR)');
INSERT INTO "column_notes" VALUES('study_result','fit_for_use','','good, with care, not good, or cannot be told');
INSERT INTO "column_notes" VALUES('study_result','json','JSON','the whole result');
INSERT INTO "column_notes" VALUES('study_result','key','','number of the result');
INSERT INTO "column_notes" VALUES('study_result','method','','average and range, or analysis of variance');
INSERT INTO "column_notes" VALUES('study_result','percent_of_limit','%','six times the combined one in the limit');
INSERT INTO "column_notes" VALUES('study_result','percent_of_total','%','share of the total variation');
INSERT INTO "column_notes" VALUES('study_result','repeatability_mm','mm','equipment variation (EV), a standard deviation');
INSERT INTO "column_notes" VALUES('study_result','reproducibility_mm','mm','technician variation (AV); null with one technician');
INSERT INTO "column_notes" VALUES('study_result','study','','key of the study');
INSERT INTO "column_notes" VALUES('turn_profile','length_nm','JSON list of nm','readings at these angles; null where none is');
INSERT INTO "column_notes" VALUES('turn_profile','result','','key of the result');
INSERT INTO "column_notes" VALUES('turn_profile','step_deg','deg','angle between two values; the first is at the index mark');
INSERT INTO "column_notes" VALUES('turn_profile','turn','1','turn, from 1');
INSERT INTO "column_notes" VALUES('wheel_end','bearing','','ball, tapered or not known');
INSERT INTO "column_notes" VALUES('wheel_end','encoder','','side of the encoder ring, none or not known');
INSERT INTO "column_notes" VALUES('wheel_end','job','','key of the job');
INSERT INTO "column_notes" VALUES('wheel_end','key','','number of the wheel end in this file');
INSERT INTO "column_notes" VALUES('wheel_end','limits','JSON, quantity to length','limits of the vehicle maker as typed');
INSERT INTO "column_notes" VALUES('wheel_end','new_lot','','its lot');
INSERT INTO "column_notes" VALUES('wheel_end','new_part','','part number of the bearing fitted');
INSERT INTO "column_notes" VALUES('wheel_end','old_lot','','its lot');
INSERT INTO "column_notes" VALUES('wheel_end','old_part','','part number of the bearing found');
INSERT INTO "column_notes" VALUES('wheel_end','sizes','JSON, name to text','sizes of bore, ring, flange and disc as typed at arrival');
INSERT INTO "column_notes" VALUES('wheel_end','source','','where torque and limits are from, as typed');
INSERT INTO "column_notes" VALUES('wheel_end','torque_n_m','N m','hub nut torque of the vehicle maker');
INSERT INTO "column_notes" VALUES('wheel_end','wheel','','wheel position');
CREATE TABLE "event" (
  "key" INTEGER PRIMARY KEY,
  "run" INTEGER NOT NULL REFERENCES run (key),
  "t_ns" INTEGER NOT NULL,
  "code" TEXT NOT NULL,
  "text" TEXT NOT NULL
) STRICT;
INSERT INTO "event" VALUES(1,1,4000000000,'gap','no reading for 1.00 s: nothing arrives');
INSERT INTO "event" VALUES(2,2,4000000000,'gap','no reading for 1.00 s: nothing arrives');
CREATE TABLE "indicator_check" (
  "key" INTEGER PRIMARY KEY,
  "id" TEXT NOT NULL UNIQUE,
  "made_utc" TEXT NOT NULL,
  "indicator" TEXT NOT NULL,
  "serial_number" TEXT NOT NULL,
  "run" TEXT REFERENCES run (id),
  "passed" INTEGER NOT NULL CHECK ("passed" IN (0, 1)),
  "worst_mm" REAL,
  "expanded_mm" REAL,
  "permissible_mm" REAL,
  "json" TEXT NOT NULL
) STRICT;
CREATE TABLE "job" (
  "key" INTEGER PRIMARY KEY,
  "id" TEXT NOT NULL UNIQUE,
  "opened_utc" TEXT NOT NULL,
  "closed_utc" TEXT,
  "vin" TEXT,
  "vehicle" TEXT NOT NULL,
  "odometer_km" REAL,
  "complaint" TEXT NOT NULL,
  "technician" TEXT NOT NULL
) STRICT;
INSERT INTO "job" VALUES(1,'01a21395-5eee-73d9-8a5d-0e7a43c62ff3','2026-11-25T16:41:25.998391Z',NULL,NULL,'invented hatchback',NULL,'hums at speed','A. Invented');
CREATE TABLE "job_attachment" (
  "key" INTEGER PRIMARY KEY,
  "id" TEXT NOT NULL UNIQUE,
  "entry" INTEGER NOT NULL REFERENCES job_entry (key),
  "what" TEXT NOT NULL CHECK ("what" IN ('photo', 'fit', 'clocking')),
  "name" TEXT NOT NULL,
  "media_type" TEXT NOT NULL,
  "sha256" TEXT,
  "size" INTEGER,
  "content" TEXT NOT NULL
) STRICT;
CREATE TABLE "job_entry" (
  "key" INTEGER PRIMARY KEY,
  "wheel_end" INTEGER NOT NULL REFERENCES wheel_end (key),
  "step" TEXT NOT NULL,
  "what" TEXT NOT NULL CHECK ("what" IN ('answer', 'skip')),
  "answer" TEXT NOT NULL,
  "number" REAL,
  "run" TEXT,
  "problem" TEXT,
  "technician" TEXT NOT NULL,
  "at_utc" TEXT NOT NULL
, "id" TEXT, "place" INTEGER NOT NULL DEFAULT 0) STRICT;
INSERT INTO "job_entry" VALUES(1,1,'vehicle_secured','answer','yes',NULL,NULL,NULL,'A. Invented','2026-11-25T16:41:26.020816Z','01a21395-5f04-7a31-9a24-5f44ef404727',1);
INSERT INTO "job_entry" VALUES(2,1,'turning','answer','rough',NULL,NULL,NULL,'A. Invented','2026-11-25T16:41:26.048857Z','01a21395-5f20-72b9-87c0-f0c7dfac8edf',2);
INSERT INTO "job_entry" VALUES(3,1,'seal','answer','sound',NULL,NULL,NULL,'A. Invented','2026-11-25T16:41:26.074628Z','01a21395-5f3a-7074-8381-1e20e9254597',3);
CREATE TABLE "keeping" (
  "key" INTEGER PRIMARY KEY,
  "run" TEXT NOT NULL REFERENCES run (id),
  "word" TEXT NOT NULL CHECK ("word" IN ('kept', 'thrown away')),
  "reason" TEXT NOT NULL,
  "at_utc" TEXT NOT NULL
) STRICT;
CREATE TABLE "mark" (
  "run" INTEGER NOT NULL REFERENCES run (key),
  "t_ns" INTEGER NOT NULL,
  PRIMARY KEY (run, t_ns)
) STRICT, WITHOUT ROWID;
INSERT INTO "mark" VALUES(1,2000000000);
INSERT INTO "mark" VALUES(1,6000000000);
INSERT INTO "mark" VALUES(2,2000000000);
INSERT INTO "mark" VALUES(2,6000000000);
CREATE TABLE "reading" (
  "run" INTEGER NOT NULL REFERENCES run (key),
  "seq" INTEGER NOT NULL,
  "t_ns" INTEGER NOT NULL,
  "length_nm" INTEGER,
  "flag" TEXT,
  "raw" TEXT,
  PRIMARY KEY (run, seq), CHECK (length_nm IS NOT NULL OR flag IS NOT NULL)
) STRICT, WITHOUT ROWID;
INSERT INTO "reading" VALUES(1,0,0,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,1,60000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,2,120000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,3,180000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,4,240000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,5,300000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,6,360000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,7,420000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,8,480000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,9,540000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,10,600000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,11,660000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,12,720000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,13,780000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,14,840000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,15,900000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,16,960000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,17,1020000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,18,1080000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,19,1140000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,20,1200000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,21,1260000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,22,1320000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,23,1380000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,24,1440000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,25,1500000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,26,1560000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,27,1620000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,28,1680000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,29,1740000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,30,1800000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,31,1860000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,32,1920000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,33,1980000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,34,2040000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,35,2100000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,36,2160000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,37,2220000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,38,2280000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,39,2340000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,40,2400000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,41,2460000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,42,2520000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,43,2580000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,44,2640000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,45,2700000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,46,2760000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,47,2820000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,48,2880000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,49,2940000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,50,3000000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,51,3060000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,52,3120000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,53,3180000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,54,3240000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,55,3300000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,56,3360000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,57,3420000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,58,3480000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,59,3540000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,60,3600000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,61,3660000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,62,3720000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,63,3780000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,64,3840000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,65,3900000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,66,3960000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,67,4020000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,68,4080000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,69,4140000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,70,4200000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,71,4260000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,72,4320000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,73,4380000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,74,4440000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,75,4500000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,76,4560000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,77,4620000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,78,4680000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,79,4740000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,80,4800000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,81,4860000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,82,4920000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,83,4980000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,84,5040000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,85,5100000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,86,5160000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,87,5220000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,88,5280000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,89,5340000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,90,5400000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,91,5460000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,92,5520000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,93,5580000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,94,5640000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,95,5700000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,96,5760000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,97,5820000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,98,5880000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,99,5940000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,100,6000000000,0,'hold is on','+0.006mmH');
INSERT INTO "reading" VALUES(1,101,6060000000,NULL,'unreadable','+0.0?7mm');
INSERT INTO "reading" VALUES(1,102,6120000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,103,6180000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,104,6240000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,105,6300000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,106,6360000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,107,6420000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,108,6480000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,109,6540000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,110,6600000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,111,6660000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,112,6720000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,113,6780000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,114,6840000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,115,6900000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,116,6960000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,117,7020000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,118,7080000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,119,7140000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(1,120,7200000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,121,7260000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,122,7320000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,123,7380000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,124,7440000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,125,7500000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,126,7560000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,127,7620000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,128,7680000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,129,7740000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,130,7800000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,131,7860000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,132,7920000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,133,7980000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,134,8040000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,135,8100000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,136,8160000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,137,8220000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,138,8280000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,139,8340000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,140,8400000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,141,8460000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,142,8520000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,143,8580000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,144,8640000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,145,8700000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,146,8760000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,147,8820000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,148,8880000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,149,8940000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,150,9000000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,151,9060000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,152,9120000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,153,9180000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,154,9240000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,155,9300000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,156,9360000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,157,9420000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,158,9480000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(1,159,9540000000,60000,NULL,NULL);
INSERT INTO "reading" VALUES(2,0,0,0,NULL,NULL);
INSERT INTO "reading" VALUES(2,1,60000000,3000,NULL,NULL);
INSERT INTO "reading" VALUES(2,2,120000000,7000,NULL,NULL);
INSERT INTO "reading" VALUES(2,3,180000000,10000,NULL,NULL);
INSERT INTO "reading" VALUES(2,4,240000000,13000,NULL,NULL);
INSERT INTO "reading" VALUES(2,5,300000000,16000,NULL,NULL);
INSERT INTO "reading" VALUES(2,6,360000000,19000,NULL,NULL);
INSERT INTO "reading" VALUES(2,7,420000000,22000,NULL,NULL);
INSERT INTO "reading" VALUES(2,8,480000000,25000,NULL,NULL);
INSERT INTO "reading" VALUES(2,9,540000000,27000,NULL,NULL);
INSERT INTO "reading" VALUES(2,10,600000000,30000,NULL,NULL);
INSERT INTO "reading" VALUES(2,11,660000000,32000,NULL,NULL);
INSERT INTO "reading" VALUES(2,12,720000000,34000,NULL,NULL);
INSERT INTO "reading" VALUES(2,13,780000000,35000,NULL,NULL);
INSERT INTO "reading" VALUES(2,14,840000000,37000,NULL,NULL);
INSERT INTO "reading" VALUES(2,15,900000000,38000,NULL,NULL);
INSERT INTO "reading" VALUES(2,16,960000000,39000,NULL,NULL);
INSERT INTO "reading" VALUES(2,17,1020000000,40000,NULL,NULL);
INSERT INTO "reading" VALUES(2,18,1080000000,40000,NULL,NULL);
INSERT INTO "reading" VALUES(2,19,1140000000,40000,NULL,NULL);
INSERT INTO "reading" VALUES(2,20,1200000000,40000,NULL,NULL);
INSERT INTO "reading" VALUES(2,21,1260000000,39000,NULL,NULL);
INSERT INTO "reading" VALUES(2,22,1320000000,39000,NULL,NULL);
INSERT INTO "reading" VALUES(2,23,1380000000,38000,NULL,NULL);
INSERT INTO "reading" VALUES(2,24,1440000000,36000,NULL,NULL);
INSERT INTO "reading" VALUES(2,25,1500000000,35000,NULL,NULL);
INSERT INTO "reading" VALUES(2,26,1560000000,33000,NULL,NULL);
INSERT INTO "reading" VALUES(2,27,1620000000,31000,NULL,NULL);
INSERT INTO "reading" VALUES(2,28,1680000000,29000,NULL,NULL);
INSERT INTO "reading" VALUES(2,29,1740000000,27000,NULL,NULL);
INSERT INTO "reading" VALUES(2,30,1800000000,24000,NULL,NULL);
INSERT INTO "reading" VALUES(2,31,1860000000,21000,NULL,NULL);
INSERT INTO "reading" VALUES(2,32,1920000000,18000,NULL,NULL);
INSERT INTO "reading" VALUES(2,33,1980000000,15000,NULL,NULL);
INSERT INTO "reading" VALUES(2,34,2040000000,12000,NULL,NULL);
INSERT INTO "reading" VALUES(2,35,2100000000,9000,NULL,NULL);
INSERT INTO "reading" VALUES(2,36,2160000000,6000,NULL,NULL);
INSERT INTO "reading" VALUES(2,37,2220000000,2000,NULL,NULL);
INSERT INTO "reading" VALUES(2,38,2280000000,-1000,NULL,NULL);
INSERT INTO "reading" VALUES(2,39,2340000000,-4000,NULL,NULL);
INSERT INTO "reading" VALUES(2,40,2400000000,-8000,NULL,NULL);
INSERT INTO "reading" VALUES(2,41,2460000000,-11000,NULL,NULL);
INSERT INTO "reading" VALUES(2,42,2520000000,-14000,NULL,NULL);
INSERT INTO "reading" VALUES(2,43,2580000000,-17000,NULL,NULL);
INSERT INTO "reading" VALUES(2,44,2640000000,-20000,NULL,NULL);
INSERT INTO "reading" VALUES(2,45,2700000000,-23000,NULL,NULL);
INSERT INTO "reading" VALUES(2,46,2760000000,-26000,NULL,NULL);
INSERT INTO "reading" VALUES(2,47,2820000000,-28000,NULL,NULL);
INSERT INTO "reading" VALUES(2,48,2880000000,-30000,NULL,NULL);
INSERT INTO "reading" VALUES(2,49,2940000000,-32000,NULL,NULL);
INSERT INTO "reading" VALUES(2,50,3000000000,-34000,NULL,NULL);
INSERT INTO "reading" VALUES(2,51,3060000000,-36000,NULL,NULL);
INSERT INTO "reading" VALUES(2,52,3120000000,-37000,NULL,NULL);
INSERT INTO "reading" VALUES(2,53,3180000000,-38000,NULL,NULL);
INSERT INTO "reading" VALUES(2,54,3240000000,-39000,NULL,NULL);
INSERT INTO "reading" VALUES(2,55,3300000000,-40000,NULL,NULL);
INSERT INTO "reading" VALUES(2,56,3360000000,-40000,NULL,NULL);
INSERT INTO "reading" VALUES(2,57,3420000000,-40000,NULL,NULL);
INSERT INTO "reading" VALUES(2,58,3480000000,-40000,NULL,NULL);
INSERT INTO "reading" VALUES(2,59,3540000000,-39000,NULL,NULL);
INSERT INTO "reading" VALUES(2,60,3600000000,-38000,NULL,NULL);
INSERT INTO "reading" VALUES(2,61,3660000000,-37000,NULL,NULL);
INSERT INTO "reading" VALUES(2,62,3720000000,-36000,NULL,NULL);
INSERT INTO "reading" VALUES(2,63,3780000000,-34000,NULL,NULL);
INSERT INTO "reading" VALUES(2,64,3840000000,-33000,NULL,NULL);
INSERT INTO "reading" VALUES(2,65,3900000000,-30000,NULL,NULL);
INSERT INTO "reading" VALUES(2,66,3960000000,-28000,NULL,NULL);
INSERT INTO "reading" VALUES(2,67,4020000000,-26000,NULL,NULL);
INSERT INTO "reading" VALUES(2,68,4080000000,-23000,NULL,NULL);
INSERT INTO "reading" VALUES(2,69,4140000000,-20000,NULL,NULL);
INSERT INTO "reading" VALUES(2,70,4200000000,-17000,NULL,NULL);
INSERT INTO "reading" VALUES(2,71,4260000000,-14000,NULL,NULL);
INSERT INTO "reading" VALUES(2,72,4320000000,-11000,NULL,NULL);
INSERT INTO "reading" VALUES(2,73,4380000000,-8000,NULL,NULL);
INSERT INTO "reading" VALUES(2,74,4440000000,-5000,NULL,NULL);
INSERT INTO "reading" VALUES(2,75,4500000000,-1000,NULL,NULL);
INSERT INTO "reading" VALUES(2,76,4560000000,2000,NULL,NULL);
INSERT INTO "reading" VALUES(2,77,4620000000,5000,NULL,NULL);
INSERT INTO "reading" VALUES(2,78,4680000000,9000,NULL,NULL);
INSERT INTO "reading" VALUES(2,79,4740000000,12000,NULL,NULL);
INSERT INTO "reading" VALUES(2,80,4800000000,15000,NULL,NULL);
INSERT INTO "reading" VALUES(2,81,4860000000,18000,NULL,NULL);
INSERT INTO "reading" VALUES(2,82,4920000000,21000,NULL,NULL);
INSERT INTO "reading" VALUES(2,83,4980000000,24000,NULL,NULL);
INSERT INTO "reading" VALUES(2,84,5040000000,26000,NULL,NULL);
INSERT INTO "reading" VALUES(2,85,5100000000,29000,NULL,NULL);
INSERT INTO "reading" VALUES(2,86,5160000000,31000,NULL,NULL);
INSERT INTO "reading" VALUES(2,87,5220000000,33000,NULL,NULL);
INSERT INTO "reading" VALUES(2,88,5280000000,35000,NULL,NULL);
INSERT INTO "reading" VALUES(2,89,5340000000,36000,NULL,NULL);
INSERT INTO "reading" VALUES(2,90,5400000000,38000,NULL,NULL);
INSERT INTO "reading" VALUES(2,91,5460000000,39000,NULL,NULL);
INSERT INTO "reading" VALUES(2,92,5520000000,39000,NULL,NULL);
INSERT INTO "reading" VALUES(2,93,5580000000,40000,NULL,NULL);
INSERT INTO "reading" VALUES(2,94,5640000000,40000,NULL,NULL);
INSERT INTO "reading" VALUES(2,95,5700000000,40000,NULL,NULL);
INSERT INTO "reading" VALUES(2,96,5760000000,40000,NULL,NULL);
INSERT INTO "reading" VALUES(2,97,5820000000,39000,NULL,NULL);
INSERT INTO "reading" VALUES(2,98,5880000000,38000,NULL,NULL);
INSERT INTO "reading" VALUES(2,99,5940000000,37000,NULL,NULL);
INSERT INTO "reading" VALUES(2,100,6000000000,35000,'hold is on','+0.006mmH');
INSERT INTO "reading" VALUES(2,101,6060000000,NULL,'unreadable','+0.0?7mm');
INSERT INTO "reading" VALUES(2,102,6120000000,32000,NULL,NULL);
INSERT INTO "reading" VALUES(2,103,6180000000,30000,NULL,NULL);
INSERT INTO "reading" VALUES(2,104,6240000000,28000,NULL,NULL);
INSERT INTO "reading" VALUES(2,105,6300000000,25000,NULL,NULL);
INSERT INTO "reading" VALUES(2,106,6360000000,22000,NULL,NULL);
INSERT INTO "reading" VALUES(2,107,6420000000,19000,NULL,NULL);
INSERT INTO "reading" VALUES(2,108,6480000000,16000,NULL,NULL);
INSERT INTO "reading" VALUES(2,109,6540000000,13000,NULL,NULL);
INSERT INTO "reading" VALUES(2,110,6600000000,10000,NULL,NULL);
INSERT INTO "reading" VALUES(2,111,6660000000,7000,NULL,NULL);
INSERT INTO "reading" VALUES(2,112,6720000000,4000,NULL,NULL);
INSERT INTO "reading" VALUES(2,113,6780000000,0,NULL,NULL);
INSERT INTO "reading" VALUES(2,114,6840000000,-3000,NULL,NULL);
INSERT INTO "reading" VALUES(2,115,6900000000,-6000,NULL,NULL);
INSERT INTO "reading" VALUES(2,116,6960000000,-10000,NULL,NULL);
INSERT INTO "reading" VALUES(2,117,7020000000,-13000,NULL,NULL);
INSERT INTO "reading" VALUES(2,118,7080000000,-16000,NULL,NULL);
INSERT INTO "reading" VALUES(2,119,7140000000,-19000,NULL,NULL);
INSERT INTO "reading" VALUES(2,120,7200000000,-22000,NULL,NULL);
INSERT INTO "reading" VALUES(2,121,7260000000,-24000,NULL,NULL);
INSERT INTO "reading" VALUES(2,122,7320000000,-27000,NULL,NULL);
INSERT INTO "reading" VALUES(2,123,7380000000,-29000,NULL,NULL);
INSERT INTO "reading" VALUES(2,124,7440000000,-32000,NULL,NULL);
INSERT INTO "reading" VALUES(2,125,7500000000,-33000,NULL,NULL);
INSERT INTO "reading" VALUES(2,126,7560000000,-35000,NULL,NULL);
INSERT INTO "reading" VALUES(2,127,7620000000,-37000,NULL,NULL);
INSERT INTO "reading" VALUES(2,128,7680000000,-38000,NULL,NULL);
INSERT INTO "reading" VALUES(2,129,7740000000,-39000,NULL,NULL);
INSERT INTO "reading" VALUES(2,130,7800000000,-39000,NULL,NULL);
INSERT INTO "reading" VALUES(2,131,7860000000,-40000,NULL,NULL);
INSERT INTO "reading" VALUES(2,132,7920000000,-40000,NULL,NULL);
INSERT INTO "reading" VALUES(2,133,7980000000,-40000,NULL,NULL);
INSERT INTO "reading" VALUES(2,134,8040000000,-39000,NULL,NULL);
INSERT INTO "reading" VALUES(2,135,8100000000,-39000,NULL,NULL);
INSERT INTO "reading" VALUES(2,136,8160000000,-38000,NULL,NULL);
INSERT INTO "reading" VALUES(2,137,8220000000,-37000,NULL,NULL);
INSERT INTO "reading" VALUES(2,138,8280000000,-35000,NULL,NULL);
INSERT INTO "reading" VALUES(2,139,8340000000,-33000,NULL,NULL);
INSERT INTO "reading" VALUES(2,140,8400000000,-31000,NULL,NULL);
INSERT INTO "reading" VALUES(2,141,8460000000,-29000,NULL,NULL);
INSERT INTO "reading" VALUES(2,142,8520000000,-27000,NULL,NULL);
INSERT INTO "reading" VALUES(2,143,8580000000,-24000,NULL,NULL);
INSERT INTO "reading" VALUES(2,144,8640000000,-21000,NULL,NULL);
INSERT INTO "reading" VALUES(2,145,8700000000,-19000,NULL,NULL);
INSERT INTO "reading" VALUES(2,146,8760000000,-16000,NULL,NULL);
INSERT INTO "reading" VALUES(2,147,8820000000,-12000,NULL,NULL);
INSERT INTO "reading" VALUES(2,148,8880000000,-9000,NULL,NULL);
INSERT INTO "reading" VALUES(2,149,8940000000,-6000,NULL,NULL);
INSERT INTO "reading" VALUES(2,150,9000000000,-3000,NULL,NULL);
INSERT INTO "reading" VALUES(2,151,9060000000,1000,NULL,NULL);
INSERT INTO "reading" VALUES(2,152,9120000000,4000,NULL,NULL);
INSERT INTO "reading" VALUES(2,153,9180000000,7000,NULL,NULL);
INSERT INTO "reading" VALUES(2,154,9240000000,11000,NULL,NULL);
INSERT INTO "reading" VALUES(2,155,9300000000,14000,NULL,NULL);
INSERT INTO "reading" VALUES(2,156,9360000000,17000,NULL,NULL);
INSERT INTO "reading" VALUES(2,157,9420000000,20000,NULL,NULL);
INSERT INTO "reading" VALUES(2,158,9480000000,23000,NULL,NULL);
INSERT INTO "reading" VALUES(2,159,9540000000,25000,NULL,NULL);
INSERT INTO "reading" VALUES(3,0,0,0,NULL,NULL);
INSERT INTO "reading" VALUES(3,1,10000000,1000,NULL,NULL);
INSERT INTO "reading" VALUES(3,2,20000000,2000,NULL,NULL);
INSERT INTO "reading" VALUES(3,3,30000000,3000,NULL,NULL);
INSERT INTO "reading" VALUES(3,4,40000000,4000,NULL,NULL);
INSERT INTO "reading" VALUES(3,5,50000000,5000,NULL,NULL);
INSERT INTO "reading" VALUES(3,6,60000000,6000,NULL,NULL);
INSERT INTO "reading" VALUES(3,7,70000000,7000,NULL,NULL);
INSERT INTO "reading" VALUES(3,8,80000000,8000,NULL,NULL);
INSERT INTO "reading" VALUES(3,9,90000000,9000,NULL,NULL);
INSERT INTO "reading" VALUES(3,10,100000000,10000,NULL,NULL);
INSERT INTO "reading" VALUES(3,11,110000000,11000,NULL,NULL);
INSERT INTO "reading" VALUES(3,12,120000000,12000,NULL,NULL);
INSERT INTO "reading" VALUES(3,13,130000000,13000,NULL,NULL);
INSERT INTO "reading" VALUES(3,14,140000000,14000,NULL,NULL);
INSERT INTO "reading" VALUES(3,15,150000000,15000,NULL,NULL);
INSERT INTO "reading" VALUES(3,16,160000000,16000,NULL,NULL);
INSERT INTO "reading" VALUES(3,17,170000000,17000,NULL,NULL);
INSERT INTO "reading" VALUES(3,18,180000000,18000,NULL,NULL);
INSERT INTO "reading" VALUES(3,19,190000000,19000,NULL,NULL);
CREATE TABLE "reading_angle" (
  "run" INTEGER NOT NULL REFERENCES run (key),
  "seq" INTEGER NOT NULL,
  "angle_deg" REAL NOT NULL,
  PRIMARY KEY (run, seq)
) STRICT, WITHOUT ROWID;
CREATE TABLE "result" (
  "key" INTEGER PRIMARY KEY,
  "id" TEXT NOT NULL UNIQUE,
  "run" INTEGER NOT NULL REFERENCES run (key),
  "saved_utc" TEXT NOT NULL,
  "kind" TEXT NOT NULL,
  "verdict" TEXT,
  "value_mm" REAL,
  "expanded_mm" REAL,
  "conformity_probability" REAL,
  "limit_max_mm" REAL,
  "limit_good_up_to_mm" REAL,
  "limit_bad_above_mm" REAL,
  "limit_source" TEXT,
  "turns" REAL,
  "repeatable_mm" REAL,
  "non_repeatable_mm" REAL,
  "points_to" TEXT NOT NULL,
  "json" TEXT NOT NULL
) STRICT;
INSERT INTO "result" VALUES(1,'019c22ba-e680-7b83-8c9e-8b19d4954836',1,'2026-02-03T09:00:00.000000Z','endplay',NULL,0.06,0.0007471399,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,'','{"file":null,"readings":{"used":158,"rejected":1},"resolution_mm":0.001,"uncertainty_mm":{"standard":0.0003925806,"coverage_factor":1.9031505283444217,"expanded":0.0007471399,"budget":[{"source":"resolution 1 um, pushed level","standard":0.0002771281,"evaluation":"B","degrees_of_freedom":null},{"source":"resolution 1 um, pulled level","standard":0.0002771281,"evaluation":"B","degrees_of_freedom":null},{"source":"repeatability of 4 holds","standard":0.0,"evaluation":"A","degrees_of_freedom":1.0},{"source":"creep of -9.95e-14 um while held: where in the hold the level is taken","standard":0.0,"evaluation":"B","degrees_of_freedom":null},{"source":"plunger angle known within 1.2 deg","standard":0.0000227929,"evaluation":"B","degrees_of_freedom":null}],"degrees_of_freedom":1.0100011767762211e+52},"limit_mm":null,"verdict":null,"conformity_probability":null,"points_to":[],"reasons":[{"code":"few_strokes","text":"Only 2 complete strokes seen; 3 or more show how well they repeat."},{"code":"no_limit","text":"No limit was given, so nothing was judged."},{"code":"flagged_readings","text":"1 readings were rejected at capture."},{"code":"permissible_error_unknown","text":"The indicator''s permissible error is not known and not in the uncertainty."}],"kind":"endplay","strokes":[{"pushed_mm":0.0,"pulled_mm":0.06,"play_mm":0.06},{"pushed_mm":0.0,"pulled_mm":0.06,"play_mm":0.06}],"play_mm":0.06,"repeatability_mm":0.0,"zero_return_mm":0.0,"creep_mm":-0.0,"noise_mm":0.0002886751}');
CREATE TABLE "run" (
  "key" INTEGER PRIMARY KEY,
  "id" TEXT NOT NULL UNIQUE,
  "kind" TEXT NOT NULL CHECK ("kind" IN ('rest', 'endplay', 'runout', 'bore', 'trace')),
  "state" TEXT NOT NULL CHECK ("state" IN ('running', 'done', 'interrupted')),
  "started_utc" TEXT NOT NULL,
  "started_t_ns" INTEGER NOT NULL,
  "ended_t_ns" INTEGER,
  "indicator" TEXT NOT NULL,
  "settings" TEXT NOT NULL,
  "job" TEXT,
  "wheel" TEXT CHECK ("wheel" IS NULL OR "wheel" IN ('front left', 'front right', 'rear left', 'rear right')),
  "stage" TEXT CHECK ("stage" IS NULL OR "stage" IN ('as found', 'after repair')),
  "readings" INTEGER NOT NULL DEFAULT 0,
  "rejected" INTEGER NOT NULL DEFAULT 0,
  "readings_sha256" TEXT NOT NULL
) STRICT;
INSERT INTO "run" VALUES(1,'019c22ba-e680-7337-b359-efd8c03b59ba','endplay','done','2026-02-03T09:00:00.000000Z',1000000000,9540000000,'{"name": "bench", "serial_number": "INVENTED-0001", "resolution_nm": 1000}','{"kind": "endplay"}','01a21395-5eee-73d9-8a5d-0e7a43c62ff3','front left','as found',160,2,'8d903d7ef134a63a026b69a0f789cb582a563c128a2afc8008a41bd8342cbc17');
INSERT INTO "run" VALUES(2,'019c22ba-e680-7d56-b716-12e147e1ddeb','runout','done','2026-02-03T09:00:00.000000Z',1000000000,9540000000,'{"name": "bench", "serial_number": "INVENTED-0001", "resolution_nm": 1000}','{"kind": "runout"}','01a21395-5eee-73d9-8a5d-0e7a43c62ff3','front left','as found',160,2,'ccd95d77725ed14f86e14ae3c996e4ba4941280169aeab367740ee1c8404470b');
INSERT INTO "run" VALUES(3,'019c22ba-e680-7fd2-a8fc-90e5926d6d93','trace','running','2026-02-03T09:00:00.000000Z',0,NULL,'{"name": "bench"}','{}',NULL,NULL,NULL,20,0,'8840ae3ac0b1213c50b62eaa72747b3d73c31f83a5694733c192e3720906238c');
CREATE TABLE "run_arrival" (
  "run" INTEGER PRIMARY KEY REFERENCES run (key),
  "period_ns" REAL,
  "offset_ns" REAL,
  "delay_p50_ns" INTEGER,
  "delay_p99_ns" INTEGER,
  "missing" INTEGER NOT NULL,
  "straightened" INTEGER NOT NULL,
  "skips" TEXT NOT NULL
) STRICT;
CREATE TABLE "study" (
  "key" INTEGER PRIMARY KEY,
  "id" TEXT NOT NULL UNIQUE,
  "indicator" TEXT NOT NULL,
  "serial_number" TEXT NOT NULL,
  "quantity" TEXT NOT NULL,
  "limit_nm" INTEGER,
  "technicians" TEXT NOT NULL,
  "parts" TEXT NOT NULL,
  "trials" INTEGER NOT NULL,
  "seed" INTEGER NOT NULL,
  "begun_utc" TEXT NOT NULL
) STRICT;
CREATE TABLE "study_reading" (
  "key" INTEGER PRIMARY KEY,
  "study" INTEGER NOT NULL REFERENCES study (key),
  "technician" TEXT NOT NULL,
  "part" TEXT NOT NULL,
  "trial" INTEGER NOT NULL,
  "value_nm" INTEGER NOT NULL,
  "run" TEXT,
  "at_utc" TEXT NOT NULL
) STRICT;
CREATE TABLE "study_result" (
  "key" INTEGER PRIMARY KEY,
  "study" INTEGER NOT NULL REFERENCES study (key),
  "method" TEXT NOT NULL,
  "repeatability_mm" REAL NOT NULL,
  "reproducibility_mm" REAL,
  "combined_mm" REAL NOT NULL,
  "percent_of_total" REAL,
  "percent_of_limit" REAL,
  "categories" INTEGER,
  "fit_for_use" TEXT NOT NULL,
  "json" TEXT NOT NULL,
  "at_utc" TEXT NOT NULL,
  UNIQUE (study, method)
) STRICT;
CREATE TABLE "turn_profile" (
  "result" INTEGER NOT NULL REFERENCES result (key),
  "turn" INTEGER NOT NULL,
  "step_deg" REAL NOT NULL,
  "length_nm" TEXT NOT NULL,
  PRIMARY KEY (result, turn)
) STRICT, WITHOUT ROWID;
CREATE TABLE "wheel_end" (
  "key" INTEGER PRIMARY KEY,
  "job" INTEGER NOT NULL REFERENCES job (key),
  "wheel" TEXT NOT NULL,
  "bearing" TEXT NOT NULL,
  "encoder" TEXT NOT NULL,
  "old_part" TEXT NOT NULL,
  "old_lot" TEXT NOT NULL,
  "new_part" TEXT NOT NULL,
  "new_lot" TEXT NOT NULL,
  "torque_n_m" REAL,
  "limits" TEXT NOT NULL,
  "source" TEXT NOT NULL, "sizes" TEXT NOT NULL DEFAULT '{}',
  UNIQUE (job, wheel)
) STRICT;
INSERT INTO "wheel_end" VALUES(1,1,'front left','not known','not known','','','','',NULL,'{"endplay": "0.1 mm"}','invented manual','{}');
CREATE INDEX run_by_job ON run (job, wheel, stage) WHERE job IS NOT NULL;
CREATE INDEX run_running ON run (state) WHERE state = 'running';
CREATE INDEX event_by_run ON event (run, t_ns);
CREATE INDEX result_by_run ON result (run);
CREATE VIEW "reading_list" AS
SELECT run.id AS run, reading.seq AS seq, reading.t_ns / 1e9 AS time_s,
       reading.length_nm / 1e6 AS reading_mm, reading.flag AS flag
FROM reading JOIN run ON run.key = reading.run;
CREATE VIEW "run_list" AS
SELECT run.id AS id, run.started_utc AS started_utc, run.kind AS kind, run.state AS state,
       run.ended_t_ns / 1e9 AS duration_s, run.readings AS readings, run.rejected AS rejected,
       json_extract(run.indicator, '$.name') AS indicator,
       run.job AS job, run.wheel AS wheel, run.stage AS stage,
       result.verdict AS verdict, result.value_mm AS value_mm, result.expanded_mm AS expanded_mm,
       result.points_to AS points_to
FROM run LEFT JOIN result ON result.key = (SELECT max(key) FROM result WHERE result.run = run.key);
CREATE VIEW "profile_list" AS
SELECT result.id AS result, run.id AS run, turn_profile.turn AS turn,
       point.key * turn_profile.step_deg AS angle_deg, point.value / 1e6 AS reading_mm
FROM turn_profile
JOIN result ON result.key = turn_profile.result
JOIN run ON run.key = result.run
JOIN json_each(turn_profile.length_nm) AS point;
CREATE UNIQUE INDEX job_open_once ON job (vin) WHERE closed_utc IS NULL AND vin IS NOT NULL;
CREATE INDEX job_by_vin ON job (vin, key);
CREATE INDEX job_by_technician ON job (technician, key);
CREATE INDEX wheel_end_by_part ON wheel_end (new_part, new_lot);
CREATE INDEX job_entry_by_wheel_end ON job_entry (wheel_end, step, key);
CREATE INDEX job_entry_over ON job_entry (wheel_end, step) WHERE answer = 'over';
CREATE INDEX keeping_by_run ON keeping (run, key);
CREATE UNIQUE INDEX job_entry_id ON job_entry (id) WHERE id IS NOT NULL;
CREATE INDEX job_entry_in_place ON job_entry (wheel_end, step, place);
CREATE INDEX job_attachment_by_entry ON job_attachment (entry);
CREATE INDEX study_by_indicator ON study (indicator, serial_number, key);
CREATE INDEX study_reading_by_study ON study_reading (study, technician, part, trial);
CREATE VIEW "job_list" AS
SELECT job.id AS id, job.opened_utc AS opened_utc, job.closed_utc AS closed_utc, job.vin AS vin,
       job.vehicle AS vehicle, job.odometer_km AS odometer_km, job.technician AS technician,
       wheel_end.wheel AS wheel, coalesce((SELECT answer FROM job_entry WHERE job_entry.wheel_end = wheel_end.key AND step = 'new_part' AND what = 'answer' ORDER BY place DESC LIMIT 1), wheel_end.new_part) AS new_part, coalesce((SELECT answer FROM job_entry WHERE job_entry.wheel_end = wheel_end.key AND step = 'new_lot' AND what = 'answer' ORDER BY place DESC LIMIT 1), wheel_end.new_lot) AS new_lot,
       coalesce((SELECT answer FROM job_entry WHERE job_entry.wheel_end = wheel_end.key AND step = 'old_part' AND what = 'answer' ORDER BY place DESC LIMIT 1), wheel_end.old_part) AS old_part, coalesce((SELECT answer FROM job_entry WHERE job_entry.wheel_end = wheel_end.key AND step = 'old_lot' AND what = 'answer' ORDER BY place DESC LIMIT 1), wheel_end.old_lot) AS old_lot, wheel_end.bearing AS bearing, job.complaint AS complaint
FROM job JOIN wheel_end ON wheel_end.job = job.key;
CREATE VIEW "job_step_list" AS
SELECT job.id AS job, job.vin AS vin, wheel_end.wheel AS wheel, job_entry.place AS place,
       job_entry.at_utc AS at_utc, job_entry.technician AS technician, job_entry.step AS step,
       job_entry.what AS what, job_entry.answer AS answer, job_entry.number AS number,
       job_entry.problem AS problem, job_entry.run AS run,
       (SELECT count(*) FROM job_attachment WHERE entry = job_entry.key AND job_attachment.what = 'photo')
       AS photos
FROM job_entry JOIN wheel_end ON wheel_end.key = job_entry.wheel_end JOIN job ON job.key = wheel_end.job;
CREATE VIEW "study_list" AS
SELECT study.id AS id, study.begun_utc AS begun_utc, study.indicator AS indicator,
       study.serial_number AS serial_number, study.quantity AS quantity, study_result.method AS method,
       study_result.repeatability_mm AS repeatability_mm,
       study_result.reproducibility_mm AS reproducibility_mm, study_result.combined_mm AS combined_mm,
       study_result.percent_of_total AS percent_of_total,
       study_result.percent_of_limit AS percent_of_limit, study_result.categories AS categories,
       study_result.fit_for_use AS fit_for_use
FROM study LEFT JOIN study_result ON study_result.study = study.key;
CREATE INDEX indicator_check_by_name ON indicator_check (indicator, serial_number, key);
CREATE INDEX job_entry_part ON job_entry (step, wheel_end, place, answer) WHERE step IN ('old_part', 'old_lot', 'new_part', 'new_lot') AND what = 'answer';
COMMIT;
