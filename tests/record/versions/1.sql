BEGIN TRANSACTION;
CREATE TABLE figures (
	inspection_id INTEGER NOT NULL, 
	members_of VARCHAR(40) NOT NULL, 
	members INTEGER NOT NULL, 
	position_mm FLOAT, 
	position_u95_mm FLOAT, 
	angle_deg FLOAT, 
	angle_u95_deg FLOAT, 
	CONSTRAINT pk_figures PRIMARY KEY (inspection_id, members_of), 
	CONSTRAINT fk_figures_inspection_id FOREIGN KEY(inspection_id) REFERENCES inspections (id) ON DELETE CASCADE
);
INSERT INTO "figures" VALUES(1,'all',8,1.60680913627480659311e-01,1.4632498137190336207e-02,4.04318241332120964504e-01,1.41138552453438093081e-02);
INSERT INTO "figures" VALUES(1,'ring 1',6,1.70518984010587626443e-01,1.69561332745785942055e-02,4.65867892627478852318e-01,1.62954060106894615955e-02);
INSERT INTO "figures" VALUES(1,'ring 2',2,1.26661960716856508701e-01,3.21389193062757427821e-02,5.28609586754929597351e-02,5.28609586754929597351e-02);
INSERT INTO "figures" VALUES(1,'rim',4,1.0181376137764228118e-01,2.24514310080399098756e-02,3.47003333172887673541e-01,2.02040971036424599205e-02);
INSERT INTO "figures" VALUES(1,'inside',4,2.03151839771291087277e-01,2.07545641395817381802e-02,4.54461403547874842612e-01,2.0051476981970739466e-02);
INSERT INTO "figures" VALUES(1,'ccw',4,1.71638735568249573004e-01,2.10192871114057155956e-02,5.41501790072691613353e-01,1.99747334685284050337e-02);
INSERT INTO "figures" VALUES(1,'cw',4,1.48918959373399856227e-01,2.1299682703297573294e-02,1.83636303316825094666e-01,2.08402146422153600191e-02);
INSERT INTO "figures" VALUES(2,'all',8,2.80868522515306195952e-01,1.42559209688784549463e-02,2.83796114471581595317e-01,1.42331508813067220131e-02);
INSERT INTO "figures" VALUES(2,'ring 1',6,3.0961288471326836591e-01,1.64747075445706436802e-02,2.62185110481460648124e-01,1.65485567398565569519e-02);
INSERT INTO "figures" VALUES(2,'ring 2',2,1.6723663659111706603e-01,3.07409386653244021125e-02,3.40496463832065388022e-01,2.89747890422850651326e-02);
INSERT INTO "figures" VALUES(2,'rim',4,1.8005736929788934697e-01,2.09375098877654097773e-02,2.98480470957247778773e-01,2.03128119893988823285e-02);
INSERT INTO "figures" VALUES(2,'inside',4,3.54053100030751910498e-01,2.02075584698449550735e-02,2.68309294724341729221e-01,2.04025643903044118232e-02);
INSERT INTO "figures" VALUES(2,'ccw',4,0.302611689569594,0.0203249641945199,2.46963320426522664474e-01,2.04810079925483445872e-02);
INSERT INTO "figures" VALUES(2,'cw',4,2.57294421268121964452e-01,2.04733099762315351455e-02,3.16369384647504692242e-01,2.02684704653491865045e-02);
CREATE TABLE inspection_photos (
	inspection_id INTEGER NOT NULL, 
	photo_id INTEGER NOT NULL, 
	place INTEGER NOT NULL, 
	CONSTRAINT pk_inspection_photos PRIMARY KEY (inspection_id, photo_id), 
	CONSTRAINT uq_inspection_photos_inspection_id UNIQUE (inspection_id, place), 
	CONSTRAINT fk_inspection_photos_inspection_id FOREIGN KEY(inspection_id) REFERENCES inspections (id) ON DELETE CASCADE, 
	CONSTRAINT fk_inspection_photos_photo_id FOREIGN KEY(photo_id) REFERENCES photos (id)
);
INSERT INTO "inspection_photos" VALUES(1,1,0);
INSERT INTO "inspection_photos" VALUES(2,2,0);
CREATE TABLE inspections (
	id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, 
	"key" VARCHAR(32) NOT NULL, 
	piece_id INTEGER NOT NULL, 
	plan_id INTEGER, 
	stage VARCHAR(10) NOT NULL, 
	done_on DATE NOT NULL, 
	recorded_at VARCHAR(40) NOT NULL, 
	note TEXT, 
	"view" VARCHAR(20), 
	planned INTEGER NOT NULL, 
	measured INTEGER NOT NULL, 
	taken INTEGER NOT NULL, 
	CONSTRAINT uq_inspections_key UNIQUE ("key"), 
	CONSTRAINT fk_inspections_piece_id FOREIGN KEY(piece_id) REFERENCES pieces (id) ON DELETE CASCADE, 
	CONSTRAINT fk_inspections_plan_id FOREIGN KEY(plan_id) REFERENCES plans (id)
);
INSERT INTO "inspections" VALUES(1,'000000000000000015c6ff019dbef815',1,1,'piece','2025-01-13','2026-01-01T00:00:01+00:00','a note','backlit',8,8,8);
INSERT INTO "inspections" VALUES(2,'000000000000000019c04b22eef7cba5',2,1,'ring','2025-01-20','2026-01-01T00:00:02+00:00',NULL,'backlit',8,8,8);
CREATE TABLE people (
	id INTEGER NOT NULL, 
	alias VARCHAR(200) NOT NULL, 
	CONSTRAINT pk_people PRIMARY KEY (id), 
	CONSTRAINT uq_people_alias UNIQUE (alias)
);
INSERT INTO "people" VALUES(1,'heron');
CREATE TABLE photos (
	id INTEGER NOT NULL, 
	sha256 VARCHAR(64) NOT NULL, 
	name VARCHAR(255) NOT NULL, 
	thumbnail BLOB, 
	no_thumbnail TEXT NOT NULL, 
	CONSTRAINT pk_photos PRIMARY KEY (id), 
	CONSTRAINT uq_photos_sha256 UNIQUE (sha256)
);
INSERT INTO "photos" VALUES(1,'e5a5555d73bc0e1568d65563abf327bd6c0b9b9dc3336e86e0b17e865e9ee6d2','panel-1.jpg',X'FFD8FFE000104A46494600010100000100010000FFDB004300080606070605080707070909080A0C140D0C0B0B0C1912130F141D1A1F1E1D1A1C1C20242E2720222C231C1C2837292C30313434341F27393D38323C2E333432FFDB0043010909090C0B0C180D0D1832211C213232323232323232323232323232323232323232323232323232323232323232323232323232323232323232323232323232FFC00011080006000803012200021101031101FFC4001F0000010501010101010100000000000000000102030405060708090A0BFFC400B5100002010303020403050504040000017D01020300041105122131410613516107227114328191A1082342B1C11552D1F02433627282090A161718191A25262728292A3435363738393A434445464748494A535455565758595A636465666768696A737475767778797A838485868788898A92939495969798999AA2A3A4A5A6A7A8A9AAB2B3B4B5B6B7B8B9BAC2C3C4C5C6C7C8C9CAD2D3D4D5D6D7D8D9DAE1E2E3E4E5E6E7E8E9EAF1F2F3F4F5F6F7F8F9FAFFC4001F0100030101010101010101010000000000000102030405060708090A0BFFC400B51100020102040403040705040400010277000102031104052131061241510761711322328108144291A1B1C109233352F0156272D10A162434E125F11718191A262728292A35363738393A434445464748494A535455565758595A636465666768696A737475767778797A82838485868788898A92939495969798999AA2A3A4A5A6A7A8A9AAB2B3B4B5B6B7B8B9BAC2C3C4C5C6C7C8C9CAD2D3D4D5D6D7D8D9DAE2E3E4E5E6E7E8E9EAF2F3F4F5F6F7F8F9FAFFDA000C03010002110311003F00E428A28AE4363FFFD9','');
INSERT INTO "photos" VALUES(2,'9b73ce2e5c72e9c8eb35ae3f509ef901b26ed3e9811f0782f3633cceab140918','panel-2.jpg',NULL,'The photo was not given.');
CREATE TABLE pieces (
	id INTEGER NOT NULL, 
	name VARCHAR(200) NOT NULL, 
	person_id INTEGER, 
	paper VARCHAR(200), 
	CONSTRAINT pk_pieces PRIMARY KEY (id), 
	CONSTRAINT uq_pieces_name UNIQUE (name), 
	CONSTRAINT fk_pieces_person_id FOREIGN KEY(person_id) REFERENCES people (id) ON DELETE CASCADE
);
INSERT INTO "pieces" VALUES(1,'panel 1',1,'kozo');
INSERT INTO "pieces" VALUES(2,'panel 2',NULL,NULL);
CREATE TABLE plans (
	id INTEGER NOT NULL, 
	sha256 VARCHAR(64) NOT NULL, 
	name VARCHAR(200) NOT NULL, 
	pitch_mm FLOAT, 
	document TEXT, 
	CONSTRAINT pk_plans PRIMARY KEY (id), 
	CONSTRAINT uq_plans_sha256 UNIQUE (sha256)
);
INSERT INTO "plans" VALUES(1,'ba0dc7c953a38fcb89dae21402a1c98dc78dda699995114ba8b38dbe5f8c0bf5','window panel (invented)',20.0,'{"format":"foldtrue-plan"}');
CREATE TABLE record_version (
	number INTEGER NOT NULL, 
	reached_at VARCHAR(40) NOT NULL, 
	CONSTRAINT pk_record_version PRIMARY KEY (number)
);
INSERT INTO "record_version" VALUES(1,'2026-11-26T16:33:33+00:00');
CREATE TABLE results (
	inspection_id INTEGER NOT NULL, 
	document TEXT NOT NULL, 
	CONSTRAINT pk_results PRIMARY KEY (inspection_id), 
	CONSTRAINT fk_results_inspection_id FOREIGN KEY(inspection_id) REFERENCES inspections (id) ON DELETE CASCADE
);
INSERT INTO "results" VALUES(1,'{"format":"foldtrue-result","version":1,"provenance":{"photo":{"name":"panel-1.jpg","sha256":"e5a5555d73bc0e1568d65563abf327bd6c0b9b9dc3336e86e0b17e865e9ee6d2"},"plan":{"name":"window panel (invented)","sha256":"ba0dc7c953a38fcb89dae21402a1c98dc78dda699995114ba8b38dbe5f8c0bf5","pitch_mm":20.0}},"view":"backlit","plane":{"assumed":["scale_assumed","plane_from_piece"],"private_px":[]},"fit":{"overturn_deg":0.0,"homography":[[2,0,320],[0,-2,240],[0,0,1]],"k1":0.0,"lens_centre_px":[320,240],"lens_focal_px":500},"twists":[{"id":"t0","ring":1,"border":false,"hand":"cw","status":"measured","position_error_mm":[0.06991128056259038,0.15847449368092992],"position_u95_mm":0.04895493661361633,"angle_error_deg":-0.15104200285079925,"angle_relative_u95_deg":0.03919927969080108},{"id":"t1","ring":1,"border":false,"hand":"ccw","status":"measured","position_error_mm":[0.05044924598954058,-0.2657752911332496],"position_u95_mm":0.04895493661361633,"angle_error_deg":0.8171086429969322,"angle_relative_u95_deg":0.03919927969080108},{"id":"t2","ring":1,"border":false,"hand":"cw","status":"measured","position_error_mm":[0.18123401694499042,0.08376285636681485],"position_u95_mm":0.04895493661361633,"angle_error_deg":0.2586811984807388,"angle_relative_u95_deg":0.03919927969080108},{"id":"t3","ring":1,"border":false,"hand":"ccw","status":"measured","position_error_mm":[-0.08150937078409289,0.13635810714538651],"position_u95_mm":0.04895493661361633,"angle_error_deg":0.2652253489505047,"angle_relative_u95_deg":0.03919927969080108},{"id":"t4","ring":1,"border":true,"hand":"cw","status":"measured","position_error_mm":[0.018691229657895783,0.021046234411751748],"position_u95_mm":0.04895493661361633,"angle_error_deg":-0.20560254867498517,"angle_relative_u95_deg":0.03919927969080108},{"id":"t5","ring":1,"border":true,"hand":"ccw","status":"measured","position_error_mm":[0.002189006422056119,0.10089878909096232],"position_u95_mm":0.04895493661361633,"angle_error_deg":-0.6592300683422612,"angle_relative_u95_deg":0.03919927969080108},{"id":"t6","ring":2,"border":true,"hand":"cw","status":"measured","position_error_mm":[-0.14301795745036117,-0.028235550978159284],"position_u95_mm":0.04895493661361633,"angle_error_deg":0.06698589768909645,"angle_relative_u95_deg":0.03919927969080108},{"id":"t7","ring":2,"border":true,"hand":"ccw","status":"measured","position_error_mm":[-0.054067087434974695,0.09752882727307989],"position_u95_mm":0.04895493661361633,"angle_error_deg":0.043605635128619015,"angle_relative_u95_deg":0.03919927969080108}],"edges":[],"vertices":[{"id":"v0","planned_mm":[100.0,0.0]},{"id":"v1","planned_mm":[50.000000000000014,86.60254037844386]},{"id":"v2","planned_mm":[-49.99999999999998,86.60254037844388]},{"id":"v3","planned_mm":[-100.0,1.2246467991473532e-14]},{"id":"v4","planned_mm":[-50.00000000000004,-86.60254037844383]},{"id":"v5","planned_mm":[50.000000000000014,-86.60254037844386]}],"summary":{"position_rms_mm":0.16315132853937137,"position_mean_error_mm":0.16068091362748066,"position_mean_error_u95_mm":0.014632498137190336,"position_mean_error_of_pitch":0.008034045681374034,"angle_mean_error_deg":0.40431824133212096,"angle_mean_error_u95_deg":0.01411385524534381}}');
INSERT INTO "results" VALUES(2,'{"format":"foldtrue-result","version":1,"provenance":{"photo":{"name":"panel-2.jpg","sha256":"9b73ce2e5c72e9c8eb35ae3f509ef901b26ed3e9811f0782f3633cceab140918"},"plan":{"name":"window panel (invented)","sha256":"ba0dc7c953a38fcb89dae21402a1c98dc78dda699995114ba8b38dbe5f8c0bf5","pitch_mm":20.0}},"view":"backlit","plane":{"assumed":["scale_assumed","plane_from_piece"],"private_px":[]},"fit":{"overturn_deg":0.0,"homography":[[2,0,320],[0,-2,240],[0,0,1]],"k1":0.0,"lens_centre_px":[320,240],"lens_focal_px":500},"twists":[{"id":"t0","ring":1,"border":false,"hand":"cw","status":"measured","position_error_mm":[0.04871645063800025,-0.11669340229356222],"position_u95_mm":0.04895493661361633,"angle_error_deg":0.43133697629571927,"angle_relative_u95_deg":0.03919927969080108},{"id":"t1","ring":1,"border":false,"hand":"ccw","status":"measured","position_error_mm":[-0.0800761517361413,-0.506138957396567],"position_u95_mm":0.04895493661361633,"angle_error_deg":0.2889723489229996,"angle_relative_u95_deg":0.03919927969080108},{"id":"t2","ring":1,"border":false,"hand":"cw","status":"measured","position_error_mm":[0.37677077599158326,0.23259387614705948],"position_u95_mm":0.04895493661361633,"angle_error_deg":0.08422872495011224,"angle_relative_u95_deg":0.03919927969080108},{"id":"t3","ring":1,"border":false,"hand":"ccw","status":"measured","position_error_mm":[-0.05847314721085835,0.16297139560493756],"position_u95_mm":0.04895493661361633,"angle_error_deg":0.11361525810014834,"angle_relative_u95_deg":0.03919927969080108},{"id":"t4","ring":1,"border":true,"hand":"cw","status":"measured","position_error_mm":[0.03602698395646316,-0.09510094736192895],"position_u95_mm":0.04895493661361633,"angle_error_deg":-0.06790419908925417,"angle_relative_u95_deg":0.03919927969080108},{"id":"t5","ring":1,"border":true,"hand":"ccw","status":"measured","position_error_mm":[0.2366475465920545,-0.09488015939654101],"position_u95_mm":0.04895493661361633,"angle_error_deg":0.3473840844846041,"angle_relative_u95_deg":0.03919927969080108},{"id":"t6","ring":2,"border":true,"hand":"cw","status":"measured","position_error_mm":[-0.10035301015468218,-0.18852597934906606],"position_u95_mm":0.04895493661361633,"angle_error_deg":-0.45188638471230197,"angle_relative_u95_deg":0.03919927969080108},{"id":"t7","ring":2,"border":true,"hand":"ccw","status":"measured","position_error_mm":[0.1078207921172511,-0.01726529719399622],"position_u95_mm":0.04895493661361633,"angle_error_deg":-0.1687435304713265,"angle_relative_u95_deg":0.03919927969080108}],"edges":[],"vertices":[{"id":"v0","planned_mm":[100.0,0.0]},{"id":"v1","planned_mm":[50.000000000000014,86.60254037844386]},{"id":"v2","planned_mm":[-49.99999999999998,86.60254037844388]},{"id":"v3","planned_mm":[-100.0,1.2246467991473532e-14]},{"id":"v4","planned_mm":[-50.00000000000004,-86.60254037844383]},{"id":"v5","planned_mm":[50.000000000000014,-86.60254037844386]}],"summary":{"position_rms_mm":0.28228908399003155,"position_mean_error_mm":0.2808685225153062,"position_mean_error_u95_mm":0.014255920968878455,"position_mean_error_of_pitch":0.014043426125765309,"angle_mean_error_deg":0.2837961144715816,"angle_mean_error_u95_deg":0.014233150881306722}}');
CREATE TABLE tags (
	inspection_id INTEGER NOT NULL, 
	tag VARCHAR(200) NOT NULL, 
	CONSTRAINT pk_tags PRIMARY KEY (inspection_id, tag), 
	CONSTRAINT fk_tags_inspection_id FOREIGN KEY(inspection_id) REFERENCES inspections (id) ON DELETE CASCADE
);
INSERT INTO "tags" VALUES(1,'gift');
CREATE INDEX ix_pieces_person_id ON pieces (person_id);
CREATE INDEX ix_inspections_piece_id ON inspections (piece_id);
CREATE INDEX ix_inspections_done_on ON inspections (done_on);
CREATE INDEX ix_inspections_plan_id ON inspections (plan_id);
CREATE INDEX ix_inspection_photos_photo_id ON inspection_photos (photo_id);
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('inspections',2);
COMMIT;
