-- 039_create_stage_question.sql
-- Stages that a lab never logs though it logs their neighbours: not done there, or done and not written down? A person says it once.

CREATE TABLE stage_question (
    question_id INTEGER NOT NULL,
    process     VARCHAR NOT NULL,
    stage       VARCHAR NOT NULL,
    builds      INTEGER NOT NULL,
    answer      VARCHAR,
    answered_at TIMESTAMP,
    PRIMARY KEY (process, stage)
);
COMMENT ON TABLE  stage_question IS 'Stages that nobody logs, one row each, and whether they are done';
COMMENT ON COLUMN stage_question.question_id IS 'number of the question; S and this number to people';
COMMENT ON COLUMN stage_question.process IS 'process code';
COMMENT ON COLUMN stage_question.stage IS 'the stage';
COMMENT ON COLUMN stage_question.builds IS 'builds of the process in which the last fit found no run of it';
COMMENT ON COLUMN stage_question.answer IS 'not done, or not written down; empty while it is open';
COMMENT ON COLUMN stage_question.answered_at IS 'when it was answered or opened again [UTC]; empty: never';
