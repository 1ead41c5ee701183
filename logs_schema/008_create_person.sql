-- 008_create_person.sql
-- People by alias: digests of names, so that the same name gets the same alias, without the name.

CREATE TABLE person (
    word_digest VARCHAR NOT NULL,
    alias       VARCHAR NOT NULL,
    whole       BOOLEAN NOT NULL
);
COMMENT ON TABLE  person IS 'People who have an alias, one row for each word of a name';
COMMENT ON COLUMN person.word_digest IS 'keyed digest of a name or of one word of it';
COMMENT ON COLUMN person.alias IS 'what stands in the store instead';
COMMENT ON COLUMN person.whole IS 'true for the digest of the whole name';

CREATE TABLE setting (
    name  VARCHAR NOT NULL,
    value VARCHAR NOT NULL
);
COMMENT ON TABLE  setting IS 'Settings of the store, one row each';
COMMENT ON COLUMN setting.name IS 'what is set';
COMMENT ON COLUMN setting.value IS 'its value';
