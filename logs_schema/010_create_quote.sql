-- 010_create_quote.sql
-- Quotes as given, exactly, so that they can be shown again and scored.

CREATE TABLE quote (
    quote_id        VARCHAR NOT NULL,
    quoted_at       TIMESTAMP NOT NULL,
    document        VARCHAR NOT NULL,
    inputs          VARCHAR NOT NULL,
    fit_id          BIGINT,
    accepted_option INTEGER,
    accepted_at     TIMESTAMP,
    due_at          TIMESTAMP
);
COMMENT ON TABLE  quote IS 'Quotes, one row each';
COMMENT ON COLUMN quote.quote_id IS 'number of the quote';
COMMENT ON COLUMN quote.quoted_at IS 'when [UTC]';
COMMENT ON COLUMN quote.document IS 'the quote as given, as JSON';
COMMENT ON COLUMN quote.inputs IS 'what was asked, with seed and versions, as JSON';
COMMENT ON COLUMN quote.fit_id IS 'fit it used; empty: priors';
COMMENT ON COLUMN quote.accepted_option IS 'which option was accepted, counted from 0; empty: none';
COMMENT ON COLUMN quote.accepted_at IS 'when it was accepted [UTC]';
COMMENT ON COLUMN quote.due_at IS 'promised time [UTC]';
